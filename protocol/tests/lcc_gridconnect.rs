//! Frames as text: however the bytes are cut, whatever is between them.
#![cfg(test)]

use proptest::prelude::*;
use throwproof_protocol::lcc::{
    CanFrame, CanId, Decoded, DropReason, Dropped, GridConnect, TextFrame,
};

fn all(decoder: &mut GridConnect, bytes: &[u8]) -> Vec<Decoded> {
    decoder.feed(bytes).collect()
}

fn frames(bytes: &[u8]) -> Vec<CanFrame> {
    all(&mut GridConnect::new(), bytes)
        .into_iter()
        .filter_map(|found| match found {
            Decoded::Frame(frame) => Some(frame),
            Decoded::Dropped(_) => None,
        })
        .collect()
}

fn drops(bytes: &[u8]) -> Vec<Dropped> {
    all(&mut GridConnect::new(), bytes)
        .into_iter()
        .filter_map(|found| match found {
            Decoded::Frame(_) => None,
            Decoded::Dropped(dropped) => Some(dropped),
        })
        .collect()
}

fn data_frame(id: CanId, data: &[u8]) -> CanFrame {
    CanFrame::new(id, data).unwrap()
}

fn any_frame() -> impl Strategy<Value = CanFrame> {
    let id = prop_oneof![
        (0..=CanId::EXTENDED_MAX).prop_map(|id| CanId::extended(id).unwrap()),
        (0..=CanId::STANDARD_MAX).prop_map(|id| CanId::standard(id).unwrap()),
    ];
    let data = prop::collection::vec(any::<u8>(), 0..=8);
    prop_oneof![
        (id.clone(), data).prop_map(|(id, data)| CanFrame::new(id, &data).unwrap()),
        (id, 0..=8_u8).prop_map(|(id, len)| CanFrame::remote(id, len).unwrap()),
    ]
}

/// Bytes that look like frames now and then.
fn nearly_frames() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        4 => any_frame().prop_map(|frame| frame.to_string().into_bytes()),
        2 => prop::sample::select(b":;XSNRxsnr0123456789ABCDEFabcdef \r\n\0+-".to_vec())
            .prop_map(|byte| vec![byte]),
        1 => prop::collection::vec(any::<u8>(), 0..20),
    ];
    prop::collection::vec(piece, 0..40).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn what_is_written_is_read(frame in any_frame()) {
        let text = TextFrame::of(&frame);
        prop_assert!(text.as_bytes().len() <= TextFrame::CAPACITY);
        prop_assert!(!text.as_str().bytes().any(|byte| byte.is_ascii_lowercase()));
        prop_assert_eq!(frames(text.as_bytes()), [frame]);
        let lower = text.as_str().to_ascii_lowercase();
        prop_assert_eq!(frames(lower.as_bytes()), [frame]);
    }

    #[test]
    fn any_cut_of_the_bytes_gives_the_same(
        bytes in nearly_frames(),
        cuts in prop::collection::vec(0..30_usize, 0..40),
    ) {
        let mut whole = GridConnect::new();
        let expected = all(&mut whole, &bytes);
        let mut cut = GridConnect::new();
        let mut found = Vec::new();
        let mut rest = &bytes[..];
        for len in cuts {
            let (now, later) = rest.split_at(len.min(rest.len()));
            found.extend(cut.feed(now));
            rest = later;
        }
        found.extend(rest.iter().filter_map(|byte| cut.push(*byte)));
        prop_assert_eq!(found, expected);
        prop_assert_eq!(cut.tally(), whole.tally());
    }

    #[test]
    fn a_frame_after_anything_is_read(bytes in nearly_frames(), frame in any_frame()) {
        let mut decoder = GridConnect::new();
        all(&mut decoder, &bytes);
        let text = frame.to_string();
        let found = all(&mut decoder, text.as_bytes());
        prop_assert_eq!(found.last(), Some(&Decoded::Frame(frame)));
    }

    #[test]
    fn each_byte_is_read_or_counted(bytes in nearly_frames()) {
        let mut decoder = GridConnect::new();
        let found = all(&mut decoder, &bytes);
        decoder.reset();
        let tally = decoder.tally();
        let read = found.iter().filter(|found| matches!(found, Decoded::Frame(_))).count() as u64;
        prop_assert_eq!(tally.frames, read);
        // Every byte is blank, dropped, or in a frame, which has 6 to 28 bytes.
        let blank = bytes.iter().filter(|byte| b" \t\r\n\0".contains(byte)).count() as u64;
        let rest = bytes.len() as u64 - tally.bytes.min(bytes.len() as u64);
        prop_assert!(tally.bytes <= bytes.len() as u64);
        prop_assert!(rest >= read * 5 && rest <= read * 28 + blank);
    }
}

#[test]
fn extremes_of_the_identifier_are_read() {
    // clause: CAN Frame Transfer S 4: 29 bits, and 11-bit frames that must do no harm.
    for (text, id) in [
        (":X00000000N;", CanId::Extended(0)),
        (":X1FFFFFFFN;", CanId::Extended(0x1fff_ffff)),
        (":S000N;", CanId::Standard(0)),
        (":S7FFN;", CanId::Standard(0x7ff)),
        (":S5N;", CanId::Standard(5)),
    ] {
        assert_eq!(frames(text.as_bytes()), [data_frame(id, &[])], "{text}");
    }
}

#[test]
fn blanks_between_frames_mean_nothing() {
    let id = CanId::Extended(0x1949_0365);
    let text = b"\r\n:X19490365N;\0\0 \t:X19490365N;:x19490365n;\n";
    assert_eq!(frames(text), [data_frame(id, &[]); 3]);
    assert_eq!(drops(text), []);
}

#[test]
fn each_fault_has_its_reason() {
    for (text, reason, bytes) in [
        (&b"hello:X19490365N;"[..], DropReason::Garbage, 5),
        (b":X1949036:X19490365N;", DropReason::Interrupted, 9),
        (b":X194903 65N;", DropReason::UnexpectedByte, 9),
        (b":Q19490365N;", DropReason::UnexpectedByte, 2),
        (b":X19490365N0Z;", DropReason::UnexpectedByte, 13),
        (b":X1949036N;", DropReason::BadIdentifier, 10),
        (b":X194903650N;", DropReason::BadIdentifier, 11),
        (b":X20000000N;", DropReason::BadIdentifier, 11),
        (b":X19490365;", DropReason::BadIdentifier, 11),
        (b":S800N;", DropReason::BadIdentifier, 6),
        (b":SN;", DropReason::BadIdentifier, 3),
        (b":X19490365N012;", DropReason::BadData, 15),
        (b":X19490365N00112233445566778;", DropReason::BadData, 28),
        (b":X19490365R9;", DropReason::BadData, 13),
        (b":X19490365R012;", DropReason::BadData, 15),
    ] {
        let shown = String::from_utf8_lossy(text);
        assert_eq!(drops(text), [Dropped { reason, bytes }], "{shown}");
        let mut decoder = GridConnect::new();
        all(&mut decoder, text);
        assert_eq!(decoder.tally().drops(reason), 1, "{shown}");
        assert_eq!(decoder.tally().all_drops(), 1, "{shown}");
    }
}

#[test]
fn a_flood_without_a_frame_is_one_drop_and_no_memory() {
    let mut decoder = GridConnect::new();
    for _ in 0..10_000 {
        assert_eq!(all(&mut decoder, &[b'z'; 100]), []);
    }
    assert_eq!(
        all(&mut decoder, b":X19490365N;"),
        [
            Decoded::Dropped(Dropped {
                reason: DropReason::Garbage,
                bytes: 1_000_000
            }),
            Decoded::Frame(data_frame(CanId::Extended(0x1949_0365), &[])),
        ]
    );
    for _ in 0..10_000 {
        all(&mut decoder, b":X");
    }
    assert_eq!(decoder.tally().drops(DropReason::Interrupted), 9_999);
    assert!(decoder.is_inside_frame());
    decoder.reset();
    assert!(!decoder.is_inside_frame());
    assert_eq!(decoder.tally().drops(DropReason::Interrupted), 10_000);
}

#[test]
fn remote_frames_are_read_with_a_length_or_without() {
    // common practice, no source: R, then nothing, a length digit, or bytes that mean nothing.
    let id = CanId::Extended(0x1949_0365);
    for (text, len) in [
        (":X19490365R;", 0),
        (":X19490365R8;", 8),
        (":X19490365R0011;", 2),
    ] {
        let frame = CanFrame::remote(id, len).unwrap();
        assert_eq!(frames(text.as_bytes()), [frame], "{text}");
    }
}
