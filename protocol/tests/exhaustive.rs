//! Every address, every bit, every data byte, through every layer and back.

use throwproof_protocol::bits::Received;
use throwproof_protocol::instruction::{AccessoryCv, AccessoryNop, CvTarget, LegacyCv};
use throwproof_protocol::timing::{SignalDecoder, SignalProgress};
use throwproof_protocol::{
    BasicAccessory, BinaryAddress, BitDecoder, CvBit, CvNumber, CvOperation, DecoderAddress,
    ExtendedAccessory, Instruction, KeyedAddress, Numbering, OutputBits, Packet, PairBit, Preamble,
    Progress, Shape,
};

/// The packet with its bytes, its bits and its half-bits made and read back.
fn through_all_layers(packet: Packet, bits: &mut BitDecoder, signal: &mut SignalDecoder) {
    assert_eq!(Packet::parse(packet.as_bytes()), Ok(packet));
    assert_eq!(Packet::from_body(packet.body()), Ok(packet));

    let sent = packet.bits(Preamble::OPERATIONS_NMRA);
    let last = sent.clone().map(|bit| bits.push(bit)).last();
    let expected = Received {
        packet,
        preamble: 14,
    };
    assert_eq!(last, Some(Progress::Packet(expected)), "{packet}");
    let last = sent
        .half_bits(Shape::NOMINAL)
        .map(|half| signal.push(half))
        .last();
    assert_eq!(last, Some(SignalProgress::Packet(expected)), "{packet}");
}

#[test]
fn every_basic_packet_in_every_numbering() {
    let (mut bits, mut signal) = (BitDecoder::new(), SignalDecoder::new());
    let mut packets = 0_u32;
    for numbering in Numbering::ALL {
        let mut seen = vec![false; 2048];
        for keyed in KeyedAddress::all() {
            let address = keyed.binary(numbering);
            assert_eq!(address.keyed(numbering), keyed, "{numbering}");
            let seen = &mut seen[usize::from(address.get())];
            assert!(
                !std::mem::replace(seen, true),
                "{numbering}: binary {address} twice"
            );
            for pair_bit in PairBit::ALL {
                for activate in [true, false] {
                    let basic = BasicAccessory::new(address, pair_bit, activate);
                    let packet = basic.emit();
                    assert_eq!(BasicAccessory::parse(&packet), Ok(basic));
                    let instruction = Instruction::from(basic);
                    assert_eq!(instruction.emit(), packet);
                    assert_eq!(Instruction::parse(&packet), Ok(instruction));
                    assert_eq!(instruction.as_basic(), Some(basic));
                    let ordinary = matches!(instruction, Instruction::Basic(_));
                    assert_eq!(ordinary, !address.is_broadcast(), "binary {address}");
                    through_all_layers(packet, &mut bits, &mut signal);
                    packets += 1;
                }
            }
        }
    }
    assert_eq!(packets, 3 * 2048 * 4);
}

#[test]
fn every_extended_value_at_every_address() {
    let (mut bits, mut signal) = (BitDecoder::new(), SignalDecoder::new());
    let mut packets = 0_u32;
    for address in BinaryAddress::all() {
        for data in 0..=u8::MAX {
            let extended = ExtendedAccessory::new(address, data);
            let packet = extended.emit();
            assert_eq!(ExtendedAccessory::parse(&packet), Ok(extended));
            let instruction = Instruction::from(extended);
            assert_eq!(instruction.emit(), packet);
            assert_eq!(Instruction::parse(&packet), Ok(instruction));
            assert_eq!(instruction.as_extended(), Some(extended));
            let ordinary = matches!(instruction, Instruction::Extended(_));
            assert_eq!(ordinary, address != BinaryAddress::MAX);
            through_all_layers(packet, &mut bits, &mut signal);
            packets += 1;
        }
    }
    assert_eq!(packets, 2048 * 256);
}

#[test]
fn every_nop() {
    for address in BinaryAddress::all() {
        for extended in [false, true] {
            let nop = AccessoryNop { address, extended };
            let packet = nop.emit();
            assert_eq!(AccessoryNop::parse(&packet), Ok(nop));
            assert_eq!(Instruction::parse(&packet), Ok(Instruction::Nop(nop)));
        }
    }
}

#[test]
fn every_target_and_operation_of_cv_access() {
    let bit = |position, value| CvBit::new(position, value).unwrap();
    let operations = [CvOperation::VerifyByte(0), CvOperation::WriteByte(255)]
        .into_iter()
        .chain((0..8).flat_map(|position| {
            [false, true].into_iter().flat_map(move |value| {
                [
                    CvOperation::VerifyBit(bit(position, value)),
                    CvOperation::WriteBit(bit(position, value)),
                ]
            })
        }))
        .collect::<Vec<_>>();
    let cvs = [1, 29, 256, 257, 513, 1024].map(|cv| CvNumber::new(cv).unwrap());
    let whole = DecoderAddress::all().map(CvTarget::Decoder);
    let outputs = DecoderAddress::all().flat_map(|decoder| {
        (0..8).map(move |output| CvTarget::Output(decoder, OutputBits::new(output).unwrap()))
    });
    let extended = BinaryAddress::all().map(CvTarget::Extended);
    for target in whole.chain(outputs).chain(extended) {
        for cv in cvs {
            for &operation in &operations {
                let access = AccessoryCv {
                    target,
                    cv,
                    operation,
                };
                let packet = access.emit();
                assert_eq!(Packet::parse(packet.as_bytes()), Ok(packet));
                assert_eq!(Instruction::parse(&packet), Ok(Instruction::Cv(access)));
            }
        }
    }
}

#[test]
fn every_cv_of_the_older_packet() {
    for decoder in DecoderAddress::all() {
        for cv in CvNumber::all() {
            let legacy = LegacyCv {
                decoder,
                cv,
                value: 0xa5,
            };
            let instruction = Instruction::LegacyCv(legacy);
            assert_eq!(Instruction::parse(&legacy.emit()), Ok(instruction));
        }
    }
}

#[test]
fn every_packet_of_three_bytes_is_written_back_as_read() {
    let mut read = 0_u32;
    for first in 0..=u8::MAX {
        for second in 0..=u8::MAX {
            let packet = Packet::from_body(&[first, second]).unwrap();
            if let Ok(instruction) = Instruction::parse(&packet) {
                assert_eq!(instruction.emit(), packet);
                assert_eq!(instruction.normalised(), instruction);
                read += 1;
            }
        }
    }
    // Three bytes say nothing to accessories when byte 2 is 0xxx0xxx: 64 x 64 of them.
    assert_eq!(read, 65_536 - 64 * 64);
}
