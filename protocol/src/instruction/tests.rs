#![expect(
    clippy::unusual_byte_groupings,
    reason = "digits are grouped as the fields are"
)]

extern crate std;

use std::string::ToString;

use super::*;
use crate::address::PairBit;
use crate::cv::{CvBit, CvNumber, CvOperation};

fn binary(number: u16) -> BinaryAddress {
    BinaryAddress::new(number).unwrap()
}

fn packet(text: &str) -> Packet {
    Packet::parse_hex(text).unwrap()
}

#[test]
fn basic_bits_stand_where_the_clause_puts_them() {
    // clause: S-9.2.1 (July 2012), section D: 10AAAAAA 1NNNCDDD, written out by hand.
    // 1365 = 101 0101 0101: A10-A8 101 -> 010, A7-A2 010101, A1 A0 01.
    let basic = BasicAccessory::new(binary(0b101_0101_0101), PairBit::One, true);
    assert_eq!(basic.emit().body(), [0b10_010101, 0b1_010_1_01_1]);
    // 682 = 010 1010 1010: A10-A8 010 -> 101, A7-A2 101010, A1 A0 10.
    let basic = BasicAccessory::new(binary(0b010_1010_1010), PairBit::Zero, false);
    assert_eq!(basic.emit().body(), [0b10_101010, 0b1_101_0_10_0]);
}

#[test]
fn extended_bits_stand_where_the_clause_puts_them() {
    // clause: S-9.2.1 (July 2012), section D: 10AAAAAA 0NNN0AA1 data, written out by hand.
    let extended = ExtendedAccessory::new(binary(0b101_0101_0110), 0b1100_0011);
    assert_eq!(
        extended.emit().body(),
        [0b10_010101, 0b0_010_0_10_1, 0b1100_0011]
    );
}

#[test]
fn colliding_bytes_have_one_reading() {
    let stop = Instruction::parse(&packet("BF 86 39")).unwrap();
    assert_eq!(stop, Instruction::EmergencyStop(EmergencyStop::Basic));
    let basic = BasicAccessory::new(binary(2047), PairBit::Zero, false);
    assert_eq!(stop.as_basic(), Some(basic));
    assert_eq!(Instruction::from(basic), stop);

    let stop = Instruction::parse(&packet("BF 07 00 B8")).unwrap();
    assert_eq!(stop, Instruction::EmergencyStop(EmergencyStop::Extended));
    assert_eq!(
        stop.as_extended(),
        Some(ExtendedAccessory::new(BinaryAddress::MAX, 0))
    );
    assert_eq!(stop.as_basic(), None);

    let all = Instruction::parse(&Packet::from_body(&[0xbf, 0x8b]).unwrap()).unwrap();
    let output = OutputBits::new(3).unwrap();
    assert_eq!(
        all,
        Instruction::BasicBroadcast(BasicBroadcast {
            activate: true,
            output
        })
    );
    assert_eq!(
        all.as_basic(),
        Some(BasicAccessory::new(binary(2045), PairBit::One, true))
    );

    // Extended packets to 2044 to 2046 are ordinary: only 2047 is the broadcast.
    let extended = ExtendedAccessory::new(binary(2046), 9);
    assert_eq!(Instruction::from(extended), Instruction::Extended(extended));
}

#[test]
fn instructions_built_by_hand_are_normalised() {
    let basic = BasicAccessory::new(BinaryAddress::MAX, PairBit::Zero, false);
    let stop = Instruction::EmergencyStop(EmergencyStop::Basic);
    assert_eq!(Instruction::Basic(basic).normalised(), stop);
    let output = OutputBits::new(6).unwrap();
    let broadcast = BasicBroadcast {
        activate: false,
        output,
    };
    assert_eq!(Instruction::BasicBroadcast(broadcast).normalised(), stop);
    assert_eq!(
        Instruction::ExtendedBroadcast(ExtendedBroadcast { data: 0 }).normalised(),
        Instruction::EmergencyStop(EmergencyStop::Extended)
    );
}

#[test]
fn second_byte_and_length_tell_packets_apart() {
    // clause: S-9.2.1 (July 2012), section D, footnote 9: decoders check the length.
    let shapes: &[(&[u8], bool)] = &[
        (&[0x81, 0xf9], true),
        (&[0x81, 0xf9, 0], false),
        (&[0x81, 0xf9, 0, 0], false),
        (&[0x81, 0x71], false),
        (&[0x81, 0x71, 0], true),
        (&[0x81, 0x70, 0], false),
        (&[0x81, 0x78], true),
        (&[0x81, 0x78, 0], false),
        (&[0x81, 0x7c, 0, 0], true),
        (&[0x81, 0x78, 0, 0], false),
        (&[0x81, 0xf0, 0xec, 0, 0], true),
        (&[0x81, 0xf1, 0xec, 0, 0], false),
        (&[0x81, 0xf9, 0xec, 0, 0], true),
        (&[0x81, 0x71, 0xec, 0, 0], true),
        (&[0x81, 0x79, 0xec, 0, 0], false),
        (&[0x81, 0xf0, 0xdc, 0, 0], false),
    ];
    for (body, known) in shapes {
        let packet = Packet::from_body(body).unwrap();
        assert_eq!(Instruction::parse(&packet).is_ok(), *known, "{packet}");
    }
}

#[test]
fn errors_say_which_byte() {
    let reserved = Packet::from_body(&[0x81, 0xf0, 0b1110_0000, 0, 0]).unwrap();
    assert_eq!(
        Instruction::parse(&reserved),
        Err(InstructionError::ReservedOperation {
            offset: 2,
            found: 0xe0
        })
    );
    let bit = Packet::from_body(&[0x81, 0xf0, 0b1110_1000, 0, 0b1100_0000]).unwrap();
    assert_eq!(
        Instruction::parse(&bit),
        Err(InstructionError::BitData {
            offset: 4,
            found: 0xc0
        })
    );
    assert_eq!(
        BasicAccessory::parse(&packet("81 78 F9"))
            .unwrap_err()
            .to_string(),
        "byte 2 is 01111000: of the bits 10000000 this kind of packet wants 10000000"
    );
    assert_eq!(
        BasicAccessory::parse(&Packet::IDLE),
        Err(InstructionError::NotAccessory { found: 0xff })
    );
    assert_eq!(
        ExtendedAccessory::parse(&packet("81 F9 78")),
        Err(InstructionError::Length {
            expected: 4,
            found: 3
        })
    );
}

#[test]
fn bit_access_is_written_out() {
    // derived: extended decoder of keyed 1, CV29 bit 3 := 1, data 1111 1 011.
    let access = AccessoryCv {
        target: CvTarget::Extended(binary(4)),
        cv: CvNumber::CONFIGURATION,
        operation: CvOperation::WriteBit(CvBit::new(3, true).unwrap()),
    };
    assert_eq!(access.emit(), packet("81 71 E8 1C FB FF"));
}

#[test]
fn a_pair_and_an_even_output_are_the_same_bytes() {
    for address in BinaryAddress::all() {
        let target = CvTarget::pair(address);
        assert_eq!(target.as_pair(), Some(address));
        let output = OutputBits::new(address.pair() * 2).unwrap();
        assert_eq!(target, CvTarget::Output(address.decoder(), output));
    }
    let odd = CvTarget::Output(DecoderAddress::MIN, OutputBits::new(1).unwrap());
    assert_eq!(odd.as_pair(), None);
}

#[test]
fn readings_of_the_data_byte_survive() {
    for data in 0..=255 {
        assert_eq!(SwitchingTime::from_data(data).data(), data);
        assert_eq!(SignalReading::from_data(data).data(), data);
    }
    // NEM 672 (2015), page 3: 0100-XXXX is dark.
    assert_eq!(SignalReading::from_data(0b0100_1010).to_string(), "dark");
    let too_long = SwitchingTime {
        pair_bit: PairBit::One,
        on_time: OnTime::Tenths(200),
    };
    assert_eq!(
        too_long.data(),
        0xfe,
        "never read as `until the next command`"
    );
}

#[test]
fn each_kind_is_named_in_plain_words() {
    for (text, words) in [
        (
            "81 F9 78",
            "basic accessory, binary address 4: activate straight (R = 1)",
        ),
        (
            "81 71 05 F5",
            "extended accessory, binary address 4: data 5",
        ),
        ("BF 86 39", "emergency stop of all basic accessory decoders"),
        (
            "81 79 F8",
            "accessory nop to extended decoders, binary address 4",
        ),
        (
            "81 F8 EC 00 05 90",
            "cv access in operations mode, basic decoder, decoder address 1, output 0 \
             (or the pair of binary address 4): cv 1, write 5",
        ),
        ("FF 00 FF", "idle, ignored by all decoders"),
        (
            "37 74 43",
            "locomotive 55, short address: forward, step 6 of 28",
        ),
    ] {
        assert_eq!(
            Instruction::parse(&packet(text)).unwrap().to_string(),
            words
        );
    }
}
