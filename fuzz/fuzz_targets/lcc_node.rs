//! Any bytes on the line, with any pauses: the node never panics, what it has to send stays
//! bounded, and once the line is quiet it has an alias and answers.
#![no_main]

use std::time::Duration;

use libfuzzer_sys::fuzz_target;
use throwproof::lcc::{Node, NodeOptions};
use throwproof_protocol::BinaryAddress;
use throwproof_protocol::lcc::{CanId, Decoded, GridConnect, Header, NodeId};

fuzz_target!(|input: (bool, Vec<(u8, &[u8])>)| {
    let (gateway, pieces) = input;
    let options = NodeOptions {
        node: NodeId::local(0x12_3456_789a),
        model: "fuzzed".to_owned(),
        name: String::new(),
        description: String::new(),
    };
    let mut node = if gateway {
        Node::gateway(&options, BinaryAddress::all().take(9)).unwrap()
    } else {
        Node::tester(&options).unwrap()
    };
    node.start();
    let mut now = Duration::ZERO;
    let mut line = GridConnect::new();
    for (pause, bytes) in pieces {
        now += Duration::from_millis(u64::from(pause & 0x7f));
        for found in line.feed(bytes) {
            if let Decoded::Frame(frame) = found {
                node.frame(&frame, now);
            }
        }
        if pause & 0x80 == 0 {
            drain(&mut node, now);
        }
    }
    assert!(drain(&mut node, now) < 2_000);
    for _ in 0..20 {
        now += Duration::from_millis(50);
        node.tick(now);
        drain(&mut node, now);
    }
    assert!(node.is_ready());
    let mut verify = GridConnect::new();
    for found in verify.feed(b":X19490000N;") {
        if let Decoded::Frame(frame) = found {
            node.frame(&frame, now);
        }
    }
    assert_eq!(drain(&mut node, now), 1);
});

fn drain(node: &mut Node, now: Duration) -> usize {
    while node.next_happening().is_some() {}
    let frames = std::iter::from_fn(|| node.next_frame(now));
    frames
        .inspect(|frame| {
            let CanId::Extended(id) = frame.id() else {
                panic!("{frame} has 11 bits");
            };
            assert_ne!(Header::parse(id).source, 0);
            assert_ne!(id & 0x1000_0000, 0);
        })
        .count()
}
