//! Event Transport and Event Identifiers.

use std::collections::BTreeSet;

use throwproof::lcc::{Ask, Happening, SendError, Side, Validity};
use throwproof_protocol::lcc::{CanFrame, EmergencyKind, EventId, EventRange, Kind, Meaning, Mti};
use throwproof_protocol::{BasicAccessory, BinaryAddress, ExtendedAccessory, Packet, PairBit};

use super::segment::{Segment, frame, header, texts};

fn address(number: u16) -> BinaryAddress {
    BinaryAddress::new(number).unwrap()
}

fn basic(number: u16, pair_bit: PairBit, activate: bool) -> BasicAccessory {
    BasicAccessory::new(address(number), pair_bit, activate)
}

fn mti(frame: &CanFrame) -> Option<Mti> {
    if let Kind::Message(mti) = header(frame).kind {
        Some(mti)
    } else {
        None
    }
}

/// What a node says it produces, or consumes.
fn covered(frames: &[CanFrame], side: Side) -> Vec<EventRange> {
    let (range_mti, identified) = match side {
        Side::Producer => (
            Mti::PRODUCER_RANGE,
            [
                Mti::PRODUCER_VALID,
                Mti::PRODUCER_INVALID,
                Mti::PRODUCER_UNKNOWN,
            ],
        ),
        Side::Consumer => (
            Mti::CONSUMER_RANGE,
            [
                Mti::CONSUMER_VALID,
                Mti::CONSUMER_INVALID,
                Mti::CONSUMER_UNKNOWN,
            ],
        ),
    };
    frames
        .iter()
        .filter_map(|frame| {
            let event = frame.event()?;
            let mti = mti(frame)?;
            if mti == range_mti {
                return Some(EventRange::parse(event));
            }
            // A range of two that holds the event; only its first is looked at.
            identified
                .contains(&mti)
                .then(|| EventRange::new(event, 1).unwrap())
        })
        .collect()
}

fn covers(ranges: &[EventRange], event: EventId) -> bool {
    ranges.iter().any(|range| range.contains(event))
}

#[test]
fn a_tester_says_what_it_produces_before_it_does() {
    // clause: Event Transport S 5 and 6.
    let mut segment = Segment::tester();
    let packet = basic(4, PairBit::One, true).emit();
    segment.node.send_packet(&packet).unwrap();
    assert_eq!(segment.node.unsent_events(), 1);
    let sent = segment.become_ready();
    let report = sent
        .iter()
        .position(|frame| mti(frame) == Some(Mti::EVENT_REPORT))
        .unwrap();
    assert_eq!(sent[report].to_string(), ":X195B40D8N0101020000FF0009;");
    let produced = covered(&sent[..report], Side::Producer);
    assert!(covers(&produced, sent[report].event().unwrap()));
    assert_eq!(segment.node.unsent_events(), 0);
}

#[test]
fn what_is_announced_is_what_the_standard_maps() {
    // clause: Event Identifiers S 5.3, Event Transport S 4.4 and 4.7: ranges as derived.
    let commands = ["0101020000FF0FFF", "0101020000FE0FFF", "010102000107FFFF"];
    let feedback = ["0101020000FD0FFF", "0101020000FC0FFF"];
    let emergencies = ["FFFF", "FFFE", "FFFD", "FFFC"].map(|low| format!("010000000000{low}"));
    let sent = texts(&Segment::tester().become_ready());
    let mut expected: Vec<_> = commands
        .map(|range| format!(":X195240D8N{range};"))
        .to_vec();
    expected.extend(feedback.map(|range| format!(":X194A40D8N{range};")));
    expected.extend(
        emergencies
            .iter()
            .map(|event| format!(":X194C70D8N{event};")),
    );
    assert_eq!(sent[7..], expected);
    // A gateway that reports two turnouts next to one another, and one more.
    let sent = texts(&Segment::gateway(&[4, 5, 9]).become_ready());
    let mut expected: Vec<_> = commands
        .map(|range| format!(":X194A40D8N{range};"))
        .to_vec();
    for (event, digit) in emergencies.iter().zip([5, 4, 5, 4]) {
        // No emergency: the begin is invalid, the end is valid.
        expected.push(format!(":X194C{digit}0D8N{event};"));
        expected.push(format!(":X1954{digit}0D8N{event};"));
    }
    for low in ["0008", "0012"] {
        for high in ["FD", "FC"] {
            let range = EventRange::new(
                EventId::new(u64::from_str_radix(&format!("0101020000{high}{low}"), 16).unwrap()),
                if low == "0008" { 2 } else { 1 },
            )
            .unwrap();
            expected.push(format!(":X195240D8N{:016X};", range.emit().get()));
        }
    }
    assert_eq!(sent[7..], expected);
}

#[test]
fn identify_events_is_answered_by_all_that_is_produced_and_consumed() {
    // clause: Event Transport S 6.2, both forms.
    for mut segment in [Segment::tester(), Segment::gateway(&[4, 2047])] {
        let announced = texts(&segment.become_ready())[7..].to_vec();
        assert_eq!(segment.hear(":X19970123N;"), announced);
        let addressed = segment.ours(":X19968123N0ddd;");
        assert_eq!(segment.hear(&addressed), announced);
        segment.exchange(":X19968123N0456;", &[]);
        // Asked often, it answers often enough: twice at least, not a hundred times.
        for _ in 0..100 {
            segment.node.frame(&frame(":X19970123N;"), segment.now);
        }
        let sent = segment.drain().len();
        assert!(
            sent >= announced.len() && sent <= 2 * announced.len(),
            "{sent}"
        );
    }
}

#[test]
fn a_question_in_the_middle_of_an_answer_is_answered_too() {
    let mut segment = Segment::tester();
    let announced = segment.become_ready().len() - 7;
    segment.node.frame(&frame(":X19970123N;"), segment.now);
    segment.node.next_frame(segment.now).unwrap();
    segment.node.frame(&frame(":X19970456N;"), segment.now);
    assert_eq!(segment.drain().len(), 2 * announced - 1);
}

#[test]
fn producers_and_consumers_are_identified_if_they_are_ours() {
    // clause: Event Transport S 6.3 and 6.4.
    let mut tester = Segment::tester().ready();
    let mut gateway = Segment::gateway(&[4]).ready();
    // Event, then the replies of tester and gateway as producer, and as consumer.
    for (event, producers, consumers) in [
        ("0101020000FF0009", [Some(7), None], [None, Some(7)]),
        ("0101020000FE0FFF", [Some(7), None], [None, Some(7)]),
        ("0101020001000405", [Some(7), None], [None, Some(7)]),
        ("010102000107FFFF", [Some(7), None], [None, Some(7)]),
        ("0101020000FD0009", [None, Some(7)], [Some(7), None]),
        ("0101020000FC0008", [None, Some(7)], [Some(7), None]),
        ("0101020000FD000A", [None, None], [Some(7), None]),
        ("010000000000FFFF", [None, Some(5)], [Some(7), Some(5)]),
        ("010000000000FFFC", [None, Some(4)], [Some(7), Some(4)]),
        ("0101020000FF1009", [None, None], [None, None]),
        ("0101020000FB0009", [None, None], [None, None]),
        ("0101020001080000", [None, None], [None, None]),
        ("0101000000000201", [None, None], [None, None]),
        ("0A123456789A0000", [None, None], [None, None]),
        ("0000000000000000", [None, None], [None, None]),
        ("FFFFFFFFFFFFFFFF", [None, None], [None, None]),
    ] {
        for (node, reply) in [(&mut tester, 0), (&mut gateway, 1)] {
            let producer: Vec<_> = producers[reply]
                .iter()
                .map(|digit| format!(":X1954{digit}0D8N{event};"))
                .collect();
            assert_eq!(
                node.hear(&format!(":X19914123N{event};")),
                producer,
                "{event}"
            );
            let consumer: Vec<_> = consumers[reply]
                .iter()
                .map(|digit| format!(":X194C{digit}0D8N{event};"))
                .collect();
            assert_eq!(
                node.hear(&format!(":X198F4123N{event};")),
                consumer,
                "{event}"
            );
        }
    }
    // Short data hold no event.
    tester.exchange(":X19914123N0101020000FF00;", &[]);
    tester.exchange(":X198F4123N;", &[]);
}

#[test]
fn validity_follows_what_happened() {
    // clause: Event Transport S 4.3 and 4.6.
    let mut tester = Segment::tester().ready();
    let mut gateway = Segment::gateway(&[4]).ready();
    let expect = |activate: u8, release: u8, tester: &mut Segment, gateway: &mut Segment| {
        for (event, digit) in [
            ("0101020000FF0009", activate),
            ("0101020000FE0009", release),
        ] {
            let sent = tester.hear(&format!(":X19914123N{event};"));
            assert_eq!(sent, [format!(":X1954{digit}0D8N{event};")]);
            let sent = gateway.hear(&format!(":X198F4123N{event};"));
            assert_eq!(sent, [format!(":X194C{digit}0D8N{event};")]);
        }
    };
    expect(7, 7, &mut tester, &mut gateway);
    for (activate, digits) in [(true, (4, 5)), (false, (5, 4))] {
        let packet = basic(4, PairBit::One, activate).emit();
        tester.node.send_packet(&packet).unwrap();
        let sent = texts(&tester.drain());
        gateway.hear(&sent[0].replace("0D8N", "123N"));
        expect(digits.0, digits.1, &mut tester, &mut gateway);
    }
    let extended = ExtendedAccessory::new(address(4), 5).emit();
    tester.node.send_packet(&extended).unwrap();
    assert_eq!(texts(&tester.drain()), [":X195B40D8N0101020001000405;"]);
    tester.exchange(
        ":X19914123N0101020001000405;",
        &[":X19544sssN0101020001000405;"],
    );
    tester.exchange(
        ":X19914123N0101020001000406;",
        &[":X19545sssN0101020001000406;"],
    );
    // Contacts, as the gateway knows them and as the tester heard them.
    gateway.exchange(
        ":X19914123N0101020000FD0009;",
        &[":X19547sssN0101020000FD0009;"],
    );
    gateway
        .node
        .report_contact(address(4), PairBit::One, true)
        .unwrap();
    let sent = texts(&gateway.drain());
    assert_eq!(sent, [":X195B40D8N0101020000FD0009;"]);
    tester.hear(&sent[0].replace("0D8N", "123N"));
    for (event, digit) in [("0101020000FD0009", 4), ("0101020000FC0009", 5)] {
        let sent = gateway.hear(&format!(":X19914123N{event};"));
        assert_eq!(sent, [format!(":X1954{digit}0D8N{event};")]);
        let sent = tester.hear(&format!(":X198F4123N{event};"));
        assert_eq!(sent, [format!(":X194C{digit}0D8N{event};")]);
    }
    // How the turnouts lie is part of the answer to everybody's question.
    let sent = gateway.hear(":X19970123N;");
    assert!(
        sent.contains(&":X195440D8N0101020000FD0009;".to_owned()),
        "{sent:?}"
    );
}

#[test]
fn a_gateway_hears_commands() {
    // clause: Event Transport S 6.1, Event Identifiers S 5.3.
    let mut segment = Segment::gateway(&[4]).ready();
    for (text, happening) in [
        (
            ":X195B4123N0101020000FF0009;",
            Some(Happening::Basic {
                from: 0x123,
                command: basic(4, PairBit::One, true),
            }),
        ),
        (
            ":X095B4123N0101020000FE0FFE;",
            Some(Happening::Basic {
                from: 0x123,
                command: basic(2047, PairBit::Zero, false),
            }),
        ),
        (
            ":X195B4123N01010200010004FF;",
            Some(Happening::Extended {
                from: 0x123,
                command: ExtendedAccessory::new(address(4), 255),
            }),
        ),
        // With payload: the first frame has the event, the others have not.
        (
            ":X19F16123N0101020000FF0009;",
            Some(Happening::Basic {
                from: 0x123,
                command: basic(4, PairBit::One, true),
            }),
        ),
        (":X19F15123N0101020000FF0009;", None),
        (":X19F14123N0101020000FF0009;", None),
        (":X19F14123N01;", None),
        (":X195B4123N0101020000FF00;", None),
        (":X195B4123N;", None),
        (
            ":X195B4123N0501010101010000;",
            Some(Happening::Event {
                from: 0x123,
                event: "05.01.01.01.01.01.00.00".parse().unwrap(),
            }),
        ),
    ] {
        segment.exchange(text, &[]);
        assert_eq!(segment.happenings.pop(), happening, "{text}");
        assert_eq!(segment.happenings, [], "{text}");
    }
}

#[test]
fn a_tester_hears_positions() {
    let mut segment = Segment::tester().ready();
    for (text, pair_bit, made) in [
        (":X195B4123N0101020000FD0009;", PairBit::One, true),
        (":X195B4123N0101020000FC0008;", PairBit::Zero, false),
        // Reported again: it is for the witness to say what that means.
        (":X195B4123N0101020000FC0008;", PairBit::Zero, false),
    ] {
        segment.exchange(text, &[]);
        let expected = Happening::Position {
            from: 0x123,
            address: address(4),
            pair_bit,
            made,
        };
        assert_eq!(segment.happenings.pop(), Some(expected));
    }
    for (digit, validity, made) in [
        (4, Validity::Valid, Some(true)),
        (5, Validity::Invalid, Some(false)),
        (7, Validity::Unknown, None),
    ] {
        segment.exchange(&format!(":X1954{digit}123N0101020000FD0009;"), &[]);
        assert_eq!(
            std::mem::take(&mut segment.happenings),
            [
                Happening::Standing {
                    from: 0x123,
                    address: address(4),
                    pair_bit: PairBit::One,
                    made,
                },
                Happening::Identified {
                    from: 0x123,
                    side: Side::Producer,
                    event: "01.01.02.00.00.FD.00.09".parse().unwrap(),
                    validity,
                },
            ]
        );
    }
    segment.exchange(":X194A4123N0101020000FF0FFF;", &[]);
    assert_eq!(
        segment.happenings.pop(),
        Some(Happening::RangeIdentified {
            from: 0x123,
            side: Side::Consumer,
            range: Meaning::activations(),
        })
    );
}

#[test]
fn emergencies_begin_and_end_once() {
    // clause: Event Identifiers S 5.2 and TN 2.5.2.
    let mut segment = Segment::tester().ready();
    assert_eq!(segment.node.emergency(EmergencyKind::Off), None);
    let mut told = Vec::new();
    for low in ["FFFE", "FFFF", "FFFF", "FFFD", "FFFE", "FFFC", "FFFC"] {
        segment.exchange(&format!(":X195B4123N010000000000{low};"), &[]);
        for happening in segment.happenings.drain(..) {
            if let Happening::Emergency { kind, begins, .. } = happening {
                told.push((kind, begins));
            }
        }
    }
    assert_eq!(
        told,
        [
            (EmergencyKind::Off, true),
            (EmergencyKind::Stop, true),
            (EmergencyKind::Off, false),
            (EmergencyKind::Stop, false),
        ]
    );
    segment.exchange(
        ":X198F4123N010000000000FFFF;",
        &[":X194C5sssN010000000000FFFF;"],
    );
    let mut gateway = Segment::gateway(&[]).ready();
    gateway
        .node
        .report_emergency(EmergencyKind::Off, true)
        .unwrap();
    assert_eq!(texts(&gateway.drain()), [":X195B40D8N010000000000FFFF;"]);
    gateway.exchange(
        ":X19914123N010000000000FFFF;",
        &[":X19544sssN010000000000FFFF;"],
    );
    gateway.exchange(":X195B4123N010000000000FFFE;", &[]);
    assert_eq!(gateway.node.emergency(EmergencyKind::Off), Some(false));
    assert_eq!(
        segment.node.report_emergency(EmergencyKind::Off, true),
        Err(SendError::NotProduced)
    );
}

#[test]
fn packets_without_an_event_are_refused() {
    let mut segment = Segment::tester().ready();
    let idle = Packet::from_body(&[0xff, 0]).unwrap();
    assert_eq!(
        segment.node.send_packet(&idle),
        Err(SendError::NotCarried(idle))
    );
    let mut gateway = Segment::gateway(&[4]).ready();
    let packet = basic(4, PairBit::One, true).emit();
    assert_eq!(
        gateway.node.send_packet(&packet),
        Err(SendError::NotProduced)
    );
    assert_eq!(
        segment.node.report_contact(address(4), PairBit::One, true),
        Err(SendError::NotProduced)
    );
    assert_eq!(segment.drain(), []);
    assert_eq!(gateway.drain(), []);
}

#[test]
fn a_turnout_not_announced_is_announced_before_its_report() {
    // clause: Event Transport S 6 and TN 2.6.
    let mut gateway = Segment::gateway(&[4]).ready();
    gateway
        .node
        .report_contact(address(100), PairBit::Zero, false)
        .unwrap();
    let sent = gateway.drain();
    assert_eq!(sent.len(), 5);
    assert_eq!(mti(&sent[4]), Some(Mti::EVENT_REPORT));
    let produced = covered(&sent[..4], Side::Producer);
    assert!(covers(&produced, sent[4].event().unwrap()));
    gateway
        .node
        .report_contact(address(100), PairBit::Zero, true)
        .unwrap();
    assert_eq!(gateway.drain().len(), 1);
}

#[test]
fn a_contact_that_is_set_is_no_event() {
    let mut gateway = Segment::gateway(&[4]);
    gateway.node.set_contact(address(4), PairBit::One, true);
    let sent = texts(&gateway.become_ready());
    assert!(sent.contains(&":X195440D8N0101020000FD0009;".to_owned()));
    assert!(!sent.iter().any(|text| text.starts_with(":X195B4")));
}

#[test]
fn events_survive_the_loss_of_the_alias() {
    // A release that was asked for goes out, whatever happens to the alias.
    let mut segment = Segment::tester().ready();
    for activate in [true, false] {
        let packet = basic(4, PairBit::One, activate).emit();
        segment.node.send_packet(&packet).unwrap();
    }
    segment.node.next_frame(segment.now).unwrap();
    segment.hear(":X107000D8N;");
    segment.node.release();
    let sent = loop {
        segment.wait(50);
        let sent = segment.drain();
        if segment.node.is_released() {
            break sent;
        }
    };
    let sent = texts(&sent);
    let release = sent
        .iter()
        .position(|text| text.ends_with("N0101020000FE0009;"))
        .unwrap();
    let reset = sent
        .iter()
        .position(|text| text.starts_with(":X10703"))
        .unwrap();
    assert!(release < reset, "{sent:?}");
}

#[test]
fn what_was_unsent_can_be_taken_back() {
    let mut segment = Segment::tester();
    let packet = basic(4, PairBit::One, true).emit();
    let event = segment.node.send_packet(&packet).unwrap();
    assert_eq!(segment.node.forget_unsent(), [event]);
    let sent = segment.become_ready();
    assert!(
        sent.iter()
            .all(|frame| mti(frame) != Some(Mti::EVENT_REPORT))
    );
}

#[test]
fn a_report_heard_while_the_alias_changes_is_not_lost() {
    let mut gateway = Segment::gateway(&[4]).ready();
    gateway.hear(":X107000D8N;");
    gateway.happenings.clear();
    gateway.hear(":X195B4123N0101020000FE0009;");
    assert_eq!(
        gateway.happenings,
        [Happening::Basic {
            from: 0x123,
            command: basic(4, PairBit::One, false)
        }]
    );
}

#[test]
fn a_question_about_events_is_answered_by_the_asker_too() {
    // clause: Message Network S 3.6.
    let mut segment = Segment::tester().ready();
    let event: EventId = "01.01.02.00.00.FD.00.09".parse().unwrap();
    segment.node.ask(Ask::Event(Side::Consumer, event)).unwrap();
    segment.node.ask(Ask::Event(Side::Producer, event)).unwrap();
    let sent: BTreeSet<_> = texts(&segment.drain()).into_iter().collect();
    let expected = [
        ":X198F40D8N0101020000FD0009;",
        ":X194C70D8N0101020000FD0009;",
        ":X199140D8N0101020000FD0009;",
    ]
    .map(str::to_owned);
    assert_eq!(sent, BTreeSet::from(expected));
    segment.node.ask(Ask::Events).unwrap();
    assert_eq!(segment.drain().len(), 10);
}
