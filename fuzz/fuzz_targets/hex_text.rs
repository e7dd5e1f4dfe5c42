//! Any text: refused with a place inside it, or read as bytes that are written and read the same.
#![no_main]

use libfuzzer_sys::fuzz_target;
use throwproof_protocol::packet::{HexError, RawBytes};
use throwproof_protocol::{KeyedAddress, Packet};

fuzz_target!(|text: &str| {
    let length = text.chars().count();
    match RawBytes::parse_hex(text) {
        Ok(raw) => {
            assert_eq!(RawBytes::parse_hex(&raw.to_string()), Ok(raw));
            if let Ok(packet) = Packet::parse(raw.as_bytes()) {
                assert_eq!(text.parse(), Ok(packet));
            }
        }
        Err(
            HexError::BadCharacter { position, found } | HexError::HalfByte { position, found },
        ) => {
            assert!(position < length);
            assert_eq!(text.chars().nth(position), Some(found));
        }
        Err(_) => {}
    }
    if let Ok(address) = text.parse::<KeyedAddress>() {
        assert_eq!(address.to_string().parse(), Ok(address));
    }
});
