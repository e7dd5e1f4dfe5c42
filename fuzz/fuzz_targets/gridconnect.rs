//! Any bytes, cut anywhere: no panic, the same frames however they are cut, and every frame read
//! is written and read back.
#![no_main]

use libfuzzer_sys::fuzz_target;
use throwproof_protocol::lcc::{Addressed, CanId, Decoded, GridConnect, Header, TextFrame};

fuzz_target!(|input: (u8, &[u8])| {
    let (cut, bytes) = input;
    let mut whole = GridConnect::new();
    let expected: Vec<_> = whole.feed(bytes).collect();
    let mut pieces = GridConnect::new();
    let mut found = Vec::new();
    for piece in bytes.chunks(usize::from(cut).max(1)) {
        found.extend(pieces.feed(piece));
    }
    assert_eq!(found, expected);
    assert_eq!(pieces.tally(), whole.tally());
    for decoded in found {
        let Decoded::Frame(frame) = decoded else {
            continue;
        };
        let text = TextFrame::of(&frame);
        let mut again = GridConnect::new();
        let read: Vec<_> = again.feed(text.as_bytes()).collect();
        assert_eq!(read, [Decoded::Frame(frame)]);
        if let CanId::Extended(id) = frame.id() {
            assert_eq!(Header::parse(id).emit(), id | 0x1000_0000);
        }
        let _: Option<_> = Addressed::parse(frame.data());
        let _: Option<_> = frame.event().and_then(|event| event.meaning());
    }
});
