//! What a published packet is said to say, as the instruction of this crate.

use serde::Deserialize;
use throwproof_protocol::instruction::{
    AccessoryCv, AccessoryNop, BasicBroadcast, CvTarget, EmergencyStop, ExtendedBroadcast,
    LegacyCv, MultiFunctionAddress, MultiFunctionKind, OnTime, SwitchingTime,
};
use throwproof_protocol::service::DirectAccess;
use throwproof_protocol::{
    BasicAccessory, BinaryAddress, CvBit, CvNumber, CvOperation, DecoderAddress, ExtendedAccessory,
    Instruction, KeyedAddress, Numbering, OutputBits, Packet, PairBit, ServiceInstruction,
};

#[derive(Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub(crate) enum Says {
    Idle,
    Reset,
    Speed {
        short: u8,
        forward: bool,
        step: u8,
    },
    PagePreset,
    EmergencyStop {
        extended: bool,
    },
    Basic {
        keyed: u16,
        binary: u16,
        pair_bit: u8,
        activate: bool,
    },
    Extended {
        keyed: u16,
        binary: u16,
        data: u8,
    },
    SwitchingTime {
        keyed: u16,
        binary: u16,
        pair_bit: u8,
        time: String,
    },
    ExtendedBroadcast {
        data: u8,
    },
    BasicBroadcast {
        activate: bool,
        output: u8,
    },
    Nop {
        binary: u16,
        extended: bool,
    },
    Cv(CvSays),
    LegacyCv {
        decoder: u16,
        cv: u16,
        value: u8,
    },
    Service(ServiceSays),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CvSays {
    decoder: Option<u16>,
    pair: Option<u16>,
    extended: Option<u16>,
    cv: u16,
    write: Option<u8>,
    verify: Option<u8>,
    write_bit: Option<[u8; 2]>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ServiceSays {
    cv: u16,
    write: Option<u8>,
    verify: Option<u8>,
    write_bit: Option<[u8; 2]>,
    verify_bit: Option<[u8; 2]>,
}

fn operation(
    write: Option<u8>,
    verify: Option<u8>,
    write_bit: Option<[u8; 2]>,
    verify_bit: Option<[u8; 2]>,
) -> CvOperation {
    let bit = |[position, value]: [u8; 2]| CvBit::new(position, value == 1).unwrap();
    let mut all = [
        write.map(CvOperation::WriteByte),
        verify.map(CvOperation::VerifyByte),
        write_bit.map(|given| CvOperation::WriteBit(bit(given))),
        verify_bit.map(|given| CvOperation::VerifyBit(bit(given))),
    ]
    .into_iter()
    .flatten();
    let one = all.next().unwrap();
    assert_eq!(all.next(), None, "one operation a packet");
    one
}

fn binary(number: u16) -> BinaryAddress {
    BinaryAddress::new(number).unwrap()
}

/// The keyed address, which must fall on that binary address in linear numbering and come back.
fn keyed(number: u16, expected: u16) -> BinaryAddress {
    let keyed = KeyedAddress::new(number).unwrap();
    let address = keyed.binary(Numbering::Linear);
    assert_eq!(address.get(), expected, "keyed {keyed}");
    assert_eq!(address.keyed(Numbering::Linear), keyed);
    address
}

/// The packet of an instruction and back.
fn both_ways(instruction: Instruction, packet: &Packet) {
    assert_eq!(instruction.emit(), *packet, "emit {instruction:?}");
    assert_eq!(
        Instruction::parse(packet),
        Ok(instruction),
        "parse {packet}"
    );
}

fn service_both_ways(instruction: ServiceInstruction, packet: &Packet) {
    assert_eq!(instruction.emit(), *packet, "emit {instruction:?}");
    assert_eq!(
        ServiceInstruction::parse(packet),
        Ok(instruction),
        "parse {packet}"
    );
}

impl Says {
    /// Checks that this crate makes the packet from what it says, and reads it so.
    pub(crate) fn check(&self, packet: &Packet) {
        match self {
            Self::Speed {
                short,
                forward,
                step,
            } => check_speed(packet, *short, *forward, *step),
            Self::Reset => {
                both_ways(Instruction::Reset, packet);
                service_both_ways(ServiceInstruction::Reset, packet);
            }
            Self::PagePreset => service_both_ways(ServiceInstruction::PagePreset, packet),
            Self::Service(says) => service_both_ways(says.instruction(), packet),
            Self::Idle
            | Self::EmergencyStop { .. }
            | Self::Basic { .. }
            | Self::Extended { .. }
            | Self::SwitchingTime { .. }
            | Self::ExtendedBroadcast { .. }
            | Self::BasicBroadcast { .. }
            | Self::Nop { .. }
            | Self::Cv(_)
            | Self::LegacyCv { .. } => both_ways(self.instruction(), packet),
        }
    }

    /// The instruction of operations mode.
    fn instruction(&self) -> Instruction {
        let half = |bit: u8| PairBit::from_bit(bit == 1);
        match *self {
            Self::Idle => Instruction::Idle,
            Self::EmergencyStop { extended: false } => EmergencyStop::Basic.into(),
            Self::EmergencyStop { extended: true } => EmergencyStop::Extended.into(),
            Self::Basic {
                keyed: number,
                binary,
                pair_bit,
                activate,
            } => BasicAccessory::new(keyed(number, binary), half(pair_bit), activate).into(),
            Self::Extended {
                keyed: number,
                binary,
                data,
            } => ExtendedAccessory::new(keyed(number, binary), data).into(),
            Self::SwitchingTime {
                keyed: number,
                binary,
                pair_bit,
                ref time,
            } => {
                let time = SwitchingTime {
                    pair_bit: half(pair_bit),
                    on_time: on_time(time),
                };
                let extended = ExtendedAccessory::new(keyed(number, binary), time.data());
                assert_eq!(extended.switching_time(), time);
                extended.into()
            }
            Self::ExtendedBroadcast { data } => ExtendedBroadcast { data }.into(),
            Self::BasicBroadcast { activate, output } => BasicBroadcast {
                activate,
                output: OutputBits::new(output).unwrap(),
            }
            .into(),
            Self::Nop {
                binary: address,
                extended,
            } => AccessoryNop {
                address: binary(address),
                extended,
            }
            .into(),
            Self::Cv(ref says) => says.instruction(),
            Self::LegacyCv { decoder, cv, value } => {
                let decoder = DecoderAddress::new(decoder).unwrap();
                let cv = CvNumber::new(cv).unwrap();
                Instruction::LegacyCv(LegacyCv { decoder, cv, value })
            }
            Self::Reset | Self::Speed { .. } | Self::PagePreset | Self::Service(_) => {
                unreachable!("checked by themselves")
            }
        }
    }
}

/// `0.5 s` or `until-next`.
fn on_time(text: &str) -> OnTime {
    if text == "until-next" {
        return OnTime::UntilNext;
    }
    let seconds = text.strip_suffix(" s").unwrap();
    OnTime::Tenths(seconds.replace('.', "").parse().unwrap())
}

impl ServiceSays {
    fn instruction(&self) -> ServiceInstruction {
        let cv = CvNumber::new(self.cv).unwrap();
        let operation = operation(self.write, self.verify, self.write_bit, self.verify_bit);
        DirectAccess { cv, operation }.into()
    }
}

impl CvSays {
    fn instruction(&self) -> Instruction {
        let target = match (self.decoder, self.pair, self.extended) {
            (Some(decoder), None, None) => CvTarget::Decoder(DecoderAddress::new(decoder).unwrap()),
            (None, Some(pair), None) => CvTarget::pair(binary(pair)),
            (None, None, Some(extended)) => CvTarget::Extended(binary(extended)),
            other => panic!("one target a packet: {other:?}"),
        };
        let cv = CvNumber::new(self.cv).unwrap();
        let operation = operation(self.write, self.verify, self.write_bit, None);
        AccessoryCv {
            target,
            cv,
            operation,
        }
        .into()
    }
}

fn check_speed(packet: &Packet, short: u8, forward: bool, step: u8) {
    let Ok(instruction @ Instruction::MultiFunction(loco)) = Instruction::parse(packet) else {
        panic!("{packet} is for a locomotive");
    };
    assert_eq!(loco.address(), MultiFunctionAddress::Short(short));
    let Some(MultiFunctionKind::Speed(speed)) = loco.kind() else {
        panic!("{packet} sets the speed");
    };
    assert_eq!((speed.forward, speed.step()), (forward, Some(step)));
    assert_eq!(instruction.emit(), *packet);
}
