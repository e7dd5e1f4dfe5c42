//! Floods, noise, hours.

use std::time::Duration;

use proptest::prelude::*;
use throwproof::lcc::{Happening, Node};
use throwproof_protocol::lcc::{CanFrame, CanId};
use throwproof_protocol::{BasicAccessory, BinaryAddress, PairBit};

use super::segment::{Segment, frame, options};

const FLOOD: usize = 50_000;

#[test]
fn a_flood_loses_no_report_and_no_release() {
    let mut segment = Segment::tester().ready();
    let questions = [
        ":X19490123N;",
        ":X19970123N;",
        ":X10702123N;",
        ":X198280D1N00D8;",
        ":X19DE80D2N00D8;",
        ":X190080D3N00D8;",
        ":X198F4123N0101020000FD0009;",
        ":X1A0D80D4N20;",
        ":X171230D8N;",
    ]
    .map(frame);
    let position = frame(":X195B4124N0101020000FD0009;");
    let release = BasicAccessory::new(BinaryAddress::new(4).unwrap(), PairBit::One, false).emit();
    let (mut positions, mut expected) = (0_usize, 0_usize);
    let (mut releases, mut waiting) = (0, None);
    for number in 0..FLOOD {
        segment.now += Duration::from_micros(20);
        segment
            .node
            .frame(&questions[number % questions.len()], segment.now);
        if number % 100 == 0 {
            segment.node.frame(&position, segment.now);
            expected += 1;
        }
        if number % 1000 == 0 {
            segment.node.send_packet(&release).unwrap();
            waiting = Some(number);
        }
        // The line takes one frame in five: replies back up and are dropped, reports are not.
        if number % 5 == 0
            && let Some(sent) = segment.node.next_frame(segment.now)
            && sent.to_string().ends_with("N0101020000FE0009;")
        {
            releases += 1;
            let since = waiting.take().unwrap();
            assert!(
                number - since < 100,
                "a release waited for {} frames",
                number - since
            );
        }
        while let Some(happening) = segment.node.next_happening() {
            positions += usize::from(matches!(happening, Happening::Position { .. }));
        }
    }
    assert_eq!(positions, expected);
    assert_eq!(releases, FLOOD / 1000);
    // Bounded: what is left is not what was asked.
    let left = segment.drain().len();
    assert!(left < 2_000, "{left} frames were waiting");
    segment.exchange(":X19490123N;", &[":X19170sssN0A123456789A;"]);
}

#[test]
fn an_owner_that_never_looks_costs_no_more_memory() {
    let mut node = Node::tester(&options()).unwrap();
    node.start();
    let position = frame(":X195B4124N0101020000FD0009;");
    for _ in 0..FLOOD {
        node.frame(&position, Duration::ZERO);
    }
    let kept = std::iter::from_fn(|| node.next_happening()).count();
    assert!(kept < 20_000);
    assert_eq!(
        u64::try_from(FLOOD - kept).unwrap(),
        node.tally().happenings_dropped
    );
}

#[test]
fn hours_of_conflicts_and_questions_end_well() {
    // Every minute for eight hours somebody takes the alias; the node is back within a second.
    let mut segment = Segment::gateway(&[4, 5, 6]).ready();
    for minute in 0..480 {
        let alias = segment.alias();
        segment.hear(&format!(":X10700{alias:03X}N;"));
        for _ in 0..20 {
            segment.wait(50);
            segment.drain();
        }
        assert!(segment.node.is_ready(), "minute {minute}");
        segment.exchange(":X19490123N;", &[":X19170sssN0A123456789A;"]);
        segment.wait(59_000);
    }
}

/// Frames that come near what the node looks at, and some that do not.
fn any_frame() -> impl Strategy<Value = CanFrame> {
    let aliases = prop_oneof![Just(0x0d8_u32), Just(0), 0..0x1000_u32];
    let field = prop_oneof![
        6 => prop::sample::select(vec![
            0x0700_u32, 0x0701, 0x0702, 0x0703, 0x0710, 0x1000, 0x4abc, 0x7123, 0x9100, 0x9170,
            0x9490, 0x9488, 0x9068, 0x90a8, 0x9828, 0x9668, 0x95b4, 0x98f4, 0x94c4, 0x94a4, 0x9914,
            0x9544, 0x9524, 0x9970, 0x9968, 0x9594, 0x9de8, 0x9a08, 0x9a28, 0x9a48, 0x9f16, 0x9f15,
            0x9f14, 0xa0d8, 0xb0d8, 0xc0d8, 0xd0d8, 0xf0d8, 0x9008, 0x9cc8,
        ]),
        1 => 0..0x2_0000_u32,
    ];
    let data = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..=8),
        Just(vec![0x0a, 0x12, 0x34, 0x56, 0x78, 0x9a]),
        (0..4_u8, prop::collection::vec(any::<u8>(), 0..=6))
            .prop_map(|(part, content)| { [&[part << 4, 0xd8], &content[..]].concat() }),
        (0xf8..=0xff_u8, 0..16_u8, any::<u8>())
            .prop_map(|(kind, high, low)| vec![1, 1, 2, 0, 0, kind, high, low]),
        (0xf8..=0xff_u8).prop_map(|low| vec![1, 0, 0, 0, 0, 0, 0xff, low]),
    ];
    (field, aliases, data, any::<bool>(), 0..40_u8).prop_map(|(field, alias, data, top, odd)| {
        let id = (field << 12) | alias | if top { 0x1000_0000 } else { 0 };
        let id = if odd == 0 {
            CanId::standard(id & 0x7ff)
        } else {
            CanId::extended(id & 0x1fff_ffff)
        };
        let frame = CanFrame::new(id.unwrap(), &data).unwrap();
        if odd == 1 {
            CanFrame::remote(frame.id(), frame.len()).unwrap()
        } else {
            frame
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]
    #[test]
    fn whatever_is_heard_the_node_comes_back_and_answers(
        gateway: bool,
        steps in prop::collection::vec((any_frame(), 0..60_u64, any::<bool>()), 0..300),
    ) {
        let mut segment = if gateway { Segment::gateway(&[4, 5, 100]) } else { Segment::tester() };
        for (frame, wait, drains) in &steps {
            segment.wait(*wait);
            segment.node.frame(frame, segment.now);
            if *drains {
                // `drain` looks at each frame: reserved bit, remote, alias zero.
                segment.drain();
            }
        }
        let left = segment.drain().len();
        prop_assert!(left < 2_000, "{} frames were waiting", left);
        segment.become_ready();
        segment.exchange(":X19490F0FN;", &[":X19170sssN0A123456789A;"]);
        segment.exchange(":X19828F0FN0ddd;", &[":X19668sssN0F0F041000000000;"]);
    }

    #[test]
    fn an_inhibited_node_sends_nothing_but_its_reservation(
        steps in prop::collection::vec(any_frame(), 0..100)
    ) {
        // clause: CAN Frame Transfer S 5.
        let mut segment = Segment::gateway(&[4]);
        let mut sent = segment.drain();
        for frame in &steps {
            segment.wait(1);
            segment.node.frame(frame, segment.now);
            sent.extend(segment.drain());
        }
        for frame in sent {
            let text = frame.to_string();
            prop_assert!(matches!(&text[2..4], "17" | "16" | "15" | "14"), "{}", text);
        }
    }
}
