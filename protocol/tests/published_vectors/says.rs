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
            Self::Idle => both_ways(Instruction::Idle, packet),
            Self::Reset => {
                both_ways(Instruction::Reset, packet);
                service_both_ways(ServiceInstruction::Reset, packet);
            }
            Self::Speed {
                short,
                forward,
                step,
            } => check_speed(packet, *short, *forward, *step),
            Self::PagePreset => service_both_ways(ServiceInstruction::PagePreset, packet),
            Self::EmergencyStop { extended: false } => {
                both_ways(EmergencyStop::Basic.into(), packet);
            }
            Self::EmergencyStop { extended: true } => {
                both_ways(EmergencyStop::Extended.into(), packet);
            }
            Self::Basic {
                keyed: number,
                binary,
                pair_bit,
                activate,
            } => {
                let pair_bit = PairBit::from_bit(*pair_bit == 1);
                let basic = BasicAccessory::new(keyed(*number, *binary), pair_bit, *activate);
                both_ways(basic.into(), packet);
                assert_eq!(BasicAccessory::parse(packet), Ok(basic));
            }
            Self::Extended {
                keyed: number,
                binary,
                data,
            } => {
                let extended = ExtendedAccessory::new(keyed(*number, *binary), *data);
                both_ways(extended.into(), packet);
                assert_eq!(ExtendedAccessory::parse(packet), Ok(extended));
            }
            Self::SwitchingTime {
                keyed: number,
                binary,
                pair_bit,
                time,
            } => {
                let on_time = match time.strip_suffix(" s") {
                    Some(seconds) => OnTime::Tenths(seconds.replace('.', "").parse().unwrap()),
                    None => {
                        assert_eq!(time, "until-next");
                        OnTime::UntilNext
                    }
                };
                let time = SwitchingTime {
                    pair_bit: PairBit::from_bit(*pair_bit == 1),
                    on_time,
                };
                let extended = ExtendedAccessory::new(keyed(*number, *binary), time.data());
                both_ways(extended.into(), packet);
                assert_eq!(extended.switching_time(), time);
            }
            Self::ExtendedBroadcast { data } => {
                both_ways(ExtendedBroadcast { data: *data }.into(), packet);
            }
            Self::BasicBroadcast { activate, output } => {
                let output = OutputBits::new(*output).unwrap();
                both_ways(
                    BasicBroadcast {
                        activate: *activate,
                        output,
                    }
                    .into(),
                    packet,
                );
            }
            Self::Nop {
                binary: address,
                extended,
            } => {
                let address = binary(*address);
                both_ways(
                    AccessoryNop {
                        address,
                        extended: *extended,
                    }
                    .into(),
                    packet,
                );
            }
            Self::Cv(says) => both_ways(says.instruction(), packet),
            Self::LegacyCv { decoder, cv, value } => {
                let decoder = DecoderAddress::new(*decoder).unwrap();
                let cv = CvNumber::new(*cv).unwrap();
                both_ways(
                    Instruction::LegacyCv(LegacyCv {
                        decoder,
                        cv,
                        value: *value,
                    }),
                    packet,
                );
            }
            Self::Service(says) => {
                let cv = CvNumber::new(says.cv).unwrap();
                let operation = operation(says.write, says.verify, says.write_bit, says.verify_bit);
                service_both_ways(DirectAccess { cv, operation }.into(), packet);
            }
        }
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
