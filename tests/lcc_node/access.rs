//! CAN Frame Transfer: aliases.

use std::time::Duration;

use throwproof::lcc::{Happening, Node};
use throwproof_protocol::lcc::{Alias, CanFrame, Kind, Mti};

use super::segment::{FIRST, NODE, Segment, header, kinds, options, texts};

const MIDDLE: &[&str] = &[
    // Every kind of frame but a check: reserve, map definition, enquiry, reset, error report,
    // reserved control, message, datagram, stream, reserved kinds, all with any data.
    ":X10700sssN;",
    ":X10701sssN050101010101;",
    ":X10702sssN;",
    ":X10703sssN050101010101;",
    ":X10710sssN050101010101;",
    ":X10FFFsssN;",
    ":X10000sssN;",
    ":X19490sssN;",
    ":X195B4sssN0101020000FF0009;",
    ":X1A123sssN20;",
    ":X1F123sssN01;",
    ":X18000sssN;",
    ":X1EFFFsssN0011223344556677;",
    // The reserved bit is ignored upon receipt.
    ":X00700sssN;",
    ":X09490sssN;",
];

fn with_alias(text: &str, alias: u16) -> String {
    text.replace("sss", &format!("{alias:03X}"))
}

fn checks(alias: u16) -> Vec<String> {
    ["170A1sssN", "16234sssN", "15567sssN", "1489AsssN"]
        .map(|text| with_alias(&format!(":X{text};"), alias))
        .to_vec()
}

fn source(frame: &CanFrame) -> u16 {
    header(frame).source
}

#[test]
fn an_alias_is_reserved_in_the_order_of_the_standard() {
    // clause: CAN Frame Transfer S 6.2.1, 6.2.2; Message Network S 3.4.1.
    let mut segment = Segment::tester();
    assert_eq!(texts(&segment.drain()), checks(FIRST));
    assert_eq!(segment.node.alias(), None);
    segment.wait(199);
    assert_eq!(segment.drain(), []);
    assert!(segment.node.next_deadline().unwrap() >= segment.now + Duration::from_millis(1));
    segment.now = segment.node.next_deadline().unwrap();
    segment.node.tick(segment.now);
    let sent = texts(&segment.drain());
    assert_eq!(
        sent[..3],
        [
            with_alias(":X10700sssN;", FIRST),
            with_alias(":X10701sssN0A123456789A;", FIRST),
            with_alias(":X19100sssN0A123456789A;", FIRST),
        ]
    );
    assert_eq!(segment.node.alias(), Alias::new(FIRST).ok());
    assert_eq!(
        segment.happenings,
        [
            Happening::Permitted {
                alias: Alias::new(FIRST).unwrap()
            },
            Happening::Ready,
        ]
    );
    assert_eq!(segment.node.next_deadline(), None);
}

#[test]
fn the_wait_counts_from_the_last_check_sent() {
    // clause: CAN Frame Transfer S 6.2.1: at least 200 ms.
    let mut segment = Segment::tester();
    segment.wait(10_000);
    assert_eq!(segment.node.next_deadline(), None);
    for _ in 0..4 {
        segment.wait(500);
        assert!(segment.node.next_frame(segment.now).is_some());
    }
    let last = segment.now;
    segment.wait(199);
    assert_eq!(segment.node.next_frame(segment.now), None);
    assert!(segment.node.next_deadline().unwrap() >= last + Duration::from_millis(200));
}

#[test]
fn any_frame_with_the_tentative_alias_starts_again() {
    // clause: CAN Frame Transfer S 6.2.1: before the reservation is complete, whatever frame.
    let all = MIDDLE
        .iter()
        .chain(&[":X17123sssN;", ":X14ABCsssN;", ":X11000sssN;"]);
    for text in all {
        for sent_before in 0..=4 {
            let mut segment = Segment::tester();
            for _ in 0..sent_before {
                segment.node.next_frame(segment.now);
            }
            segment.wait(100);
            let sent = segment.hear(&with_alias(text, FIRST));
            assert_eq!(sent.len(), 4, "{text} after {sent_before}: {sent:?}");
            let second = u16::from_str_radix(&sent[0][7..10], 16).unwrap();
            assert_ne!(second, FIRST);
            assert_eq!(sent, checks(second), "{text}");
            // The wait starts again too.
            segment.wait(199);
            assert_eq!(segment.drain(), []);
            segment.wait(100);
            let sent = segment.drain();
            assert_eq!(kinds(&sent)[..2], [Kind::ReserveId, Kind::MapDefinition]);
            assert!(sent.iter().all(|frame| source(frame) == second));
        }
    }
}

#[test]
fn a_conflict_between_the_wait_and_the_reservation_starts_again() {
    // clause: CAN Frame Transfer S 6.2.1: the reserve frame had not gone.
    let mut segment = Segment::tester();
    segment.drain();
    segment.wait(300);
    let sent = segment.hear(&with_alias(":X17123sssN;", FIRST));
    assert_eq!(sent.len(), 4);
    assert!(
        sent.iter()
            .all(|text| !text.contains(&format!("{FIRST:03X}N")))
    );
}

#[test]
fn a_reserved_alias_is_defended_and_given_up_without_a_reset() {
    // clause: CAN Frame Transfer S 6.2.5: reserved, not yet permitted.
    let mut segment = Segment::tester();
    segment.drain();
    segment.wait(300);
    let reserve = segment.node.next_frame(segment.now).unwrap();
    assert_eq!(header(&reserve).kind, Kind::ReserveId);
    // A check is answered with a reservation ...
    segment.node.frame(
        &super::segment::frame(&with_alias(":X17123sssN;", FIRST)),
        segment.now,
    );
    let sent = segment.drain();
    let sent = kinds(&sent);
    assert_eq!(sent[0], Kind::MapDefinition);
    assert_eq!(
        sent.iter().filter(|kind| **kind == Kind::ReserveId).count(),
        1
    );
    assert!(sent[..3].contains(&Kind::Message(Mti::INITIALIZATION_COMPLETE)));
    // ... and anything else takes the alias; what was not defined is not reset.
    for text in MIDDLE {
        let mut segment = Segment::tester();
        segment.drain();
        segment.wait(300);
        segment.node.next_frame(segment.now).unwrap();
        let sent = segment.hear(&with_alias(text, FIRST));
        assert_eq!(sent.len(), 4, "{text}: {sent:?}");
        assert!(sent[0].starts_with(":X170A1"), "{text}: {sent:?}");
    }
}

#[test]
fn a_check_of_the_alias_is_answered_with_a_reservation() {
    // clause: CAN Frame Transfer S 6.2.5; checks down to step 1, of other protocols, as well.
    let mut segment = Segment::tester().ready();
    for text in [
        ":X17123sssN;",
        ":X16456sssN;",
        ":X15789sssN;",
        ":X14ABCsssN;",
        ":X13000sssN;",
        ":X11FFFsssN;",
        ":X07000sssN;",
    ] {
        segment.exchange(text, &[":X10700sssN;"]);
    }
    assert_eq!(segment.alias(), FIRST);
    assert_eq!(segment.happenings, []);
}

#[test]
fn any_other_use_of_the_alias_gives_it_up_with_a_reset() {
    // clause: CAN Frame Transfer S 6.2.5 and TN 2.6.2.5.
    for text in MIDDLE {
        let mut segment = Segment::tester().ready();
        let sent = segment.hear(&with_alias(text, FIRST));
        assert_eq!(
            sent[0],
            with_alias(":X10703sssN0A123456789A;", FIRST),
            "{text}"
        );
        assert_eq!(sent.len(), 5, "{text}: {sent:?}");
        let second = u16::from_str_radix(&sent[1][7..10], 16).unwrap();
        assert_ne!(second, FIRST);
        assert_eq!(sent[1..], checks(second), "{text}");
        assert_eq!(segment.node.alias(), None);
        assert_eq!(
            segment.happenings[0],
            Happening::AliasLost {
                alias: Alias::new(FIRST).unwrap()
            }
        );
        // Inhibited: nothing is answered, the old alias is nobody's.
        assert_eq!(segment.hear(":X10702123N;"), [""; 0], "{text}");
        assert_eq!(segment.hear(":X19490123N;"), [""; 0], "{text}");
        assert_eq!(
            segment.hear(&with_alias(":X17123sssN;", FIRST)),
            [""; 0],
            "{text}"
        );
        assert_eq!(
            segment.hear(&with_alias(":X19828123N0sss;", FIRST)),
            [""; 0]
        );
        let sent = segment.become_ready();
        assert_eq!(
            kinds(&sent)[..3],
            [
                Kind::ReserveId,
                Kind::MapDefinition,
                Kind::Message(Mti::INITIALIZATION_COMPLETE),
            ],
            "{text}"
        );
        assert_eq!(segment.alias(), second);
    }
}

#[test]
fn aliases_of_others_are_no_conflict() {
    // clause: CAN Frame Transfer S 6.2.5: only its own.
    let mut segment = Segment::tester();
    segment.drain();
    for text in MIDDLE {
        assert_eq!(segment.hear(&with_alias(text, 0x777)), [""; 0], "{text}");
    }
    segment.become_ready();
    assert_eq!(segment.alias(), FIRST);
}

#[test]
fn an_alias_heard_is_not_tried() {
    // clause: CAN Frame Transfer S 6.3 leaves the choice open; one in use would only be refused.
    let mut segment = Segment::tester();
    let mut again = Segment::tester();
    let second = {
        let sent = again.hear(&with_alias(":X10700sssN;", FIRST));
        u16::from_str_radix(&sent[0][7..10], 16).unwrap()
    };
    segment.drain();
    segment.hear(&with_alias(":X19170sssN050101010101;", second));
    let sent = segment.hear(&with_alias(":X10700sssN;", FIRST));
    let third = u16::from_str_radix(&sent[0][7..10], 16).unwrap();
    assert!(third != FIRST && third != second);
}

#[test]
fn a_mapping_enquiry_is_answered_when_it_asks_for_this_node_or_all() {
    // clause: CAN Frame Transfer S 6.2.3: a match in length and content.
    let mut segment = Segment::tester();
    segment.drain();
    assert_eq!(segment.hear(":X10702123N;"), [""; 0]);
    assert_eq!(segment.hear(":X10702123N0A123456789A;"), [""; 0]);
    segment.become_ready();
    let definition = ":X10701sssN0A123456789A;";
    segment.exchange(":X10702123N;", &[definition]);
    segment.exchange(":X10702123N0A123456789A;", &[definition]);
    segment.exchange(":X00702123N;", &[definition]);
    for other in [
        ":X10702123N0A123456789B;",
        ":X10702123N0A12345678;",
        ":X10702123N0A123456789A00;",
        ":X10702123N0A;",
        ":X10702123N000000000000;",
        ":X10702123R;",
        ":S702N;",
    ] {
        segment.exchange(other, &[]);
    }
}

#[test]
fn reserved_and_error_frames_are_ignored() {
    // clause: CAN Frame Transfer S 6.1.
    let mut segment = Segment::tester().ready();
    for text in [
        ":X10000123N;",
        ":X106FF123N0011223344556677;",
        ":X10704123N0A123456789A;",
        ":X1070F123N;",
        ":X10710123N050101010101;",
        ":X10711123N;",
        ":X10712123N;",
        ":X10713123N0A123456789A;",
        ":X10714123N;",
        ":X10FFF123N;",
        ":X18490123N;",
        ":X1E490123N;",
        ":X00000000N;",
        ":X1FFFFFFFN;",
        ":X1FFFFFFFNFFFFFFFFFFFFFFFF;",
        ":X10700000N;",
    ] {
        segment.exchange(text, &[]);
    }
    assert_eq!(segment.alias(), FIRST);
    segment.exchange(":X19490123N;", &[":X19170sssN0A123456789A;"]);
}

#[test]
fn standard_and_remote_frames_do_no_harm() {
    // clause: CAN Frame Transfer S 4.
    let mut segment = Segment::tester();
    segment.drain();
    for text in [":S0D8N;", ":S000N;", ":S7FFNFFFFFFFFFFFFFFFF;", ":S490R;"] {
        segment.hear(text);
    }
    // A remote frame with the tentative alias is none of LCC's either.
    assert_eq!(segment.hear(&with_alias(":X10700sssR;", FIRST)), [""; 0]);
    segment.become_ready();
    assert_eq!(segment.alias(), FIRST);
    segment.exchange(":X10701sssR8;", &[]);
    segment.exchange(":X19490123R;", &[]);
    segment.exchange(":X10702123R8;", &[]);
    assert_eq!(segment.alias(), FIRST);
    assert_eq!(segment.node.tally().foreign_frames, 8);
}

#[test]
fn a_duplicate_node_id_is_told_and_nothing_else() {
    // clause: CAN Frame Transfer S 6.2.6 and Message Network S 3.5.4.
    let mut segment = Segment::tester().ready();
    for text in [
        ":X10701123N0A123456789A;",
        ":X19170123N0A123456789A;",
        ":X19171123N0A123456789A;",
        ":X19100123N0A123456789A;",
        ":X19101123N0A123456789A;",
    ] {
        segment.exchange(text, &[]);
        assert_eq!(
            std::mem::take(&mut segment.happenings),
            [Happening::DuplicateNodeId { alias: 0x123 }],
            "{text}"
        );
    }
    // With the alias as well, both rules hold.
    let sent = segment.hear(&with_alias(":X10701sssN0A123456789A;", FIRST));
    assert_eq!(sent[0], with_alias(":X10703sssN0A123456789A;", FIRST));
    assert!(
        segment
            .happenings
            .contains(&Happening::DuplicateNodeId { alias: FIRST })
    );
    assert_eq!(segment.node.others().len(), 0);
}

#[test]
fn the_map_of_others_is_kept() {
    // clause: CAN Frame Transfer S 6.2.4: a reset ends the use of an alias at once.
    let mut segment = Segment::tester().ready();
    let alias = |number| Alias::new(number).unwrap();
    segment.hear(":X10701123N050101010101;");
    segment.hear(":X19170124N050101010102;");
    segment.hear(":X19100125N050101010103;");
    assert_eq!(segment.node.others().len(), 3);
    // A node that comes back under another alias has that alone.
    segment.hear(":X10701126N050101010101;");
    assert_eq!(segment.node.others().len(), 3);
    assert!(!segment.node.others().contains_key(&alias(0x123)));
    segment.hear(":X10703126N050101010101;");
    assert_eq!(segment.node.others().len(), 2);
    assert_eq!(
        segment.happenings.last(),
        Some(&Happening::NodeGone {
            alias: alias(0x126)
        })
    );
}

#[test]
fn leaving_gives_the_alias_back_after_everything_else() {
    // clause: CAN Frame Transfer S 6.2.4.
    let mut segment = Segment::tester().ready();
    segment
        .node
        .frame(&super::segment::frame(":X19490123N;"), segment.now);
    segment.node.release();
    let sent = texts(&segment.drain());
    assert_eq!(
        sent,
        [
            with_alias(":X19170sssN0A123456789A;", FIRST),
            with_alias(":X10703sssN0A123456789A;", FIRST),
        ]
    );
    assert!(segment.node.is_released());
    assert_eq!(segment.happenings.last(), Some(&Happening::Released));
    for text in [
        ":X10702123N;",
        ":X19490123N;",
        ":X171230D8N;",
        ":X107000D8N;",
    ] {
        assert_eq!(segment.hear(text), [""; 0]);
    }
    segment.node.start();
    assert_eq!(segment.drain().len(), 4);
}

#[test]
fn a_line_that_echoes_is_not_flooded() {
    let mut segment = Segment::tester();
    let mut sent = 0_u32;
    let mut echo = segment.drain();
    for _ in 0..1000 {
        segment.wait(10);
        for frame in std::mem::take(&mut echo) {
            segment.node.frame(&frame, segment.now);
        }
        echo = segment.drain();
        sent += u32::try_from(echo.len()).unwrap();
    }
    // Ten seconds: a few quick attempts, then four frames every quarter second.
    assert!(sent < 400, "{sent} frames in ten seconds");
    let trouble = |happening: &Happening| matches!(happening, Happening::AliasTrouble { .. });
    assert!(segment.happenings.iter().any(trouble));
    // And all is well once the echo is gone.
    segment.become_ready();
    assert_eq!(segment.hear(":X19490123N;").len(), 1);
}

#[test]
fn many_nodes_that_start_together_all_get_in() {
    // clause: CAN Frame Transfer S 6.2.1 and 6.3: several nodes on one segment, ids in a row.
    let mut nodes: Vec<_> = (0..40_u64)
        .map(|number| {
            let mut options = options();
            // Ids 4095 apart: all want the same alias first.
            let id = options.node.get() + number * 4095;
            options.node = throwproof_protocol::lcc::NodeId::new(id).unwrap();
            let mut node = Node::tester(&options).unwrap();
            node.start();
            node
        })
        .collect();
    for step in 0..200 {
        let now = Duration::from_millis(step * 20);
        for sender in 0..nodes.len() {
            while let Some(frame) = nodes[sender].next_frame(now) {
                for (receiver, node) in nodes.iter_mut().enumerate() {
                    if receiver != sender {
                        node.frame(&frame, now);
                    }
                }
            }
        }
    }
    let aliases: std::collections::BTreeSet<_> =
        nodes.iter().map(|node| node.alias().unwrap()).collect();
    assert_eq!(aliases.len(), nodes.len());
    assert!(nodes.iter().all(Node::is_ready));
    assert!(
        nodes
            .iter()
            .all(|node| node.others().len() == nodes.len() - 1)
    );
    assert_eq!(nodes[0].node().to_string(), NODE);
}
