//! Any bytes: printed in both contexts, read as a packet, and written back as read.
#![no_main]

use std::fmt::Write as _;

use libfuzzer_sys::fuzz_target;
use throwproof_protocol::pretty::{Context, Description};
use throwproof_protocol::{Instruction, Packet, ServiceInstruction};

fuzz_target!(|bytes: &[u8]| {
    for context in [Context::Operations, Context::Service] {
        let description = Description::new(bytes).with_context(context);
        let mut text = String::new();
        write!(text, "{description}").expect("a string takes any text");
        for field in description.fields() {
            assert!(
                field.offset < bytes.len(),
                "a field of a byte that is not there"
            );
        }
    }
    if let Ok(packet) = Packet::parse(bytes) {
        assert_eq!(packet.as_bytes(), bytes);
        written_back(packet);
    }
    // Most bytes fail the check byte, so they are tried with the right one as well.
    if let Ok(packet) = Packet::from_body(bytes) {
        assert_eq!(packet.body(), bytes);
        written_back(packet);
    }
});

fn written_back(packet: Packet) {
    if let Ok(instruction) = Instruction::parse(&packet) {
        assert_eq!(instruction.emit(), packet);
        assert_eq!(instruction.normalised(), instruction);
    }
    if let Ok(instruction) = ServiceInstruction::parse(&packet) {
        assert_eq!(instruction.emit(), packet);
        assert_eq!(instruction.normalised(), instruction);
    }
}
