//! A node on a segment, driven by frames as text and a clock of the test's.

use std::time::Duration;

use throwproof::lcc::{Happening, Node, NodeOptions};
use throwproof_protocol::address::BinaryAddress;
use throwproof_protocol::lcc::{CanFrame, CanId, Decoded, GridConnect, Header, Kind};

pub(crate) const NODE: &str = "0A.12.34.56.78.9A";
/// The first alias of that node: its id's remainder by 4095, plus one.
pub(crate) const FIRST: u16 = 0x0d8;

pub(crate) fn options() -> NodeOptions {
    NodeOptions {
        node: NODE.parse().unwrap(),
        model: "throwproof".to_owned(),
        name: "bench".to_owned(),
        description: String::new(),
    }
}

pub(crate) fn frame(text: &str) -> CanFrame {
    let mut decoder = GridConnect::new();
    let found: Vec<_> = decoder.feed(text.as_bytes()).collect();
    let [Decoded::Frame(frame)] = found[..] else {
        panic!("{text} was read as {found:?}");
    };
    frame
}

pub(crate) fn header(frame: &CanFrame) -> Header {
    let CanId::Extended(id) = frame.id() else {
        panic!("{frame} was sent with 11 bits");
    };
    // clause: CAN Frame Transfer S 4: bit 28 is sent as 1, and no remote frames are sent.
    assert_eq!(id & 0x1000_0000, 0x1000_0000, "{frame}");
    assert!(!frame.is_remote(), "{frame}");
    Header::parse(id)
}

pub(crate) struct Segment {
    pub(crate) node: Node,
    pub(crate) now: Duration,
    pub(crate) happenings: Vec<Happening>,
}

impl Segment {
    pub(crate) fn tester() -> Self {
        Self::of(Node::tester(&options()).unwrap())
    }

    pub(crate) fn gateway(addresses: &[u16]) -> Self {
        let addresses = addresses.iter().map(|a| BinaryAddress::new(*a).unwrap());
        Self::of(Node::gateway(&options(), addresses).unwrap())
    }

    fn of(mut node: Node) -> Self {
        node.start();
        Self {
            node,
            now: Duration::from_secs(100),
            happenings: Vec::new(),
        }
    }

    /// A node that has announced itself, what it told left out.
    pub(crate) fn ready(mut self) -> Self {
        self.become_ready();
        self
    }

    pub(crate) fn become_ready(&mut self) -> Vec<CanFrame> {
        let mut sent = Vec::new();
        for _ in 0..200 {
            sent.extend(self.drain());
            if self.node.is_ready() {
                self.happenings.clear();
                return sent;
            }
            self.wait(50);
        }
        panic!("the node never became ready: {:?}", self.node);
    }

    pub(crate) fn wait(&mut self, ms: u64) {
        self.now += Duration::from_millis(ms);
        self.node.tick(self.now);
    }

    pub(crate) fn drain(&mut self) -> Vec<CanFrame> {
        let sent: Vec<_> = std::iter::from_fn(|| self.node.next_frame(self.now)).collect();
        for frame in &sent {
            // clause: CAN Frame Transfer S 6.3: never alias zero.
            assert_ne!(header(frame).source, 0, "{frame}");
        }
        while let Some(happening) = self.node.next_happening() {
            self.happenings.push(happening);
        }
        sent
    }

    /// Everything sent after the node got this frame.
    pub(crate) fn hear(&mut self, text: &str) -> Vec<String> {
        self.hear_frame(&frame(text))
    }

    pub(crate) fn hear_frame(&mut self, frame: &CanFrame) -> Vec<String> {
        self.node.frame(frame, self.now);
        texts(&self.drain())
    }

    pub(crate) fn alias(&self) -> u16 {
        self.node.alias().unwrap().get()
    }

    /// The text with `sss` and `ddd` replaced by the node's alias.
    pub(crate) fn ours(&self, text: &str) -> String {
        let alias = format!("{:03X}", self.alias());
        text.replace("sss", &alias).replace("ddd", &alias)
    }

    /// Hears the text with the node's alias in place of `ddd`, and expects these.
    pub(crate) fn exchange(&mut self, text: &str, expected: &[&str]) {
        let heard = self.ours(text);
        let expected: Vec<_> = expected.iter().map(|text| self.ours(text)).collect();
        assert_eq!(self.hear(&heard), expected, "after {heard}");
    }
}

pub(crate) fn texts(frames: &[CanFrame]) -> Vec<String> {
    frames.iter().map(ToString::to_string).collect()
}

/// Kinds of the frames, for sequences in which only those matter.
pub(crate) fn kinds(frames: &[CanFrame]) -> Vec<Kind> {
    frames.iter().map(|frame| header(frame).kind).collect()
}
