//! The form of the files in `fixtures/standards`, and how each kind of vector is checked.

use serde::Deserialize;
use throwproof_protocol::bits::{Bit, Preamble};
use throwproof_protocol::cv::{AddressCvs, AddressMethod, Cv29};
use throwproof_protocol::instruction::SignalReading;
use throwproof_protocol::packet::Partition;
use throwproof_protocol::service::{DirectAccess, PowerOn, ServiceSequence};
use throwproof_protocol::timing::{self, Nanos, Shape, SignalDecoder, SignalProgress, Window};
use throwproof_protocol::{
    BasicAccessory, BinaryAddress, BitDecoder, CvNumber, CvOperation, ExtendedAccessory,
    KeyedAddress, Numbering, Packet, PacketError, PairBit, Position, Progress,
};

use crate::says::Says;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct File {
    pub(crate) group: Vec<Group>,
}

#[derive(Debug, Deserialize)]
pub(crate) struct Group {
    pub(crate) source: String,
    pub(crate) clause: String,
    pub(crate) standing: Standing,
    #[serde(flatten)]
    pub(crate) vectors: Vectors,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Standing {
    Read,
    SecondHand,
    Derived,
}

#[derive(Debug, Deserialize)]
#[serde(tag = "kind", content = "vectors", rename_all = "kebab-case")]
pub(crate) enum Vectors {
    Packet(Vec<PacketVector>),
    Rejected(Vec<Rejected>),
    FirstBytes(Vec<FirstBytes>),
    BasicBits(Vec<BasicBits>),
    BasicBytes(Vec<BasicBytes>),
    ExtendedBits(Vec<ExtendedBits>),
    BasicAddressBits(Vec<BasicAddressBits>),
    BasicPair(Vec<BasicPair>),
    DecoderAndOutput(Vec<DecoderAndOutput>),
    CvField(Vec<CvField>),
    CvAlias(Vec<CvAlias>),
    Cv29(Vec<Cv29Bit>),
    AddressCvs(Vec<AddressCvsVector>),
    PrintedFormula(Vec<PrintedFormula>),
    Signal(Vec<Signal>),
    SignalTime(Vec<SignalTime>),
    Window(Vec<WindowVector>),
    Limit(Vec<Limit>),
    Preamble(Vec<PreambleVector>),
    OnTheRails(Vec<OnTheRails>),
    Sequence(Vec<Sequence>),
}

/// One example, which knows how to check itself both ways.
trait Check: std::fmt::Debug {
    fn check(&self);
}

fn run_all<T: Check>(place: &str, vectors: &[T]) -> usize {
    for vector in vectors {
        // Shown by the test harness only if the check fails.
        println!("{place}: {vector:?}");
        vector.check();
    }
    vectors.len()
}

impl Vectors {
    /// Checks them all and says how many there were.
    pub(crate) fn run(&self, place: &str) -> usize {
        match self {
            Self::Packet(all) => run_all(place, all),
            Self::Rejected(all) => run_all(place, all),
            Self::FirstBytes(all) => run_all(place, all),
            Self::BasicBits(all) => run_all(place, all),
            Self::BasicBytes(all) => run_all(place, all),
            Self::ExtendedBits(all) => run_all(place, all),
            Self::BasicAddressBits(all) => run_all(place, all),
            Self::BasicPair(all) => run_all(place, all),
            Self::DecoderAndOutput(all) => run_all(place, all),
            Self::CvField(all) => run_all(place, all),
            Self::CvAlias(all) => run_all(place, all),
            Self::Cv29(all) => run_all(place, all),
            Self::AddressCvs(all) => run_all(place, all),
            Self::PrintedFormula(all) => run_all(place, all),
            Self::Signal(all) => run_all(place, all),
            Self::SignalTime(all) => run_all(place, all),
            Self::Window(all) => run_all(place, all),
            Self::Limit(all) => run_all(place, all),
            Self::Preamble(all) => run_all(place, all),
            Self::OnTheRails(all) => run_all(place, all),
            Self::Sequence(all) => run_all(place, all),
        }
    }
}

fn packet(text: &str) -> Packet {
    let packet = Packet::parse_hex(text).unwrap();
    assert_eq!(packet.to_string(), text);
    packet
}

/// The binary address of a keyed one, which must be as said and come back.
fn address(keyed: u16, numbering: &str, binary: u16) -> BinaryAddress {
    let numbering: Numbering = numbering.parse().unwrap();
    let keyed = KeyedAddress::new(keyed).unwrap();
    let address = keyed.binary(numbering);
    assert_eq!(address.get(), binary, "keyed {keyed}, {numbering}");
    assert_eq!(
        address.keyed(numbering),
        keyed,
        "binary {address}, {numbering}"
    );
    address
}

/// Bits as text, without blanks and hyphens.
fn bits_of(text: &str) -> String {
    text.chars()
        .filter(|character| !" -".contains(*character))
        .collect()
}

fn binary_text(bytes: &[u8]) -> String {
    bytes
        .iter()
        .map(|byte| format!("{byte:08b}"))
        .collect::<Vec<_>>()
        .concat()
}

fn byte(bits: &str) -> u8 {
    u8::from_str_radix(&bits_of(bits), 2).unwrap()
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PacketVector {
    packet: String,
    says: Says,
}

impl Check for PacketVector {
    fn check(&self) {
        let packet = packet(&self.packet);
        assert_eq!(Packet::from_body(packet.body()), Ok(packet), "check byte");
        self.says.check(&packet);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Rejected {
    packet: String,
    byte: usize,
    expected: u8,
    found: u8,
}

impl Check for Rejected {
    fn check(&self) {
        let bytes = throwproof_protocol::packet::RawBytes::parse_hex(&self.packet).unwrap();
        let error = PacketError::CheckByte {
            offset: self.byte - 1,
            expected: self.expected,
            found: self.found,
        };
        assert_eq!(Packet::parse(bytes.as_bytes()), Err(error));
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FirstBytes {
    first: u8,
    last: u8,
    partition: String,
}

impl Check for FirstBytes {
    fn check(&self) {
        let expected = match self.partition.as_str() {
            "broadcast" => Partition::Broadcast,
            "short" => Partition::Short,
            "accessory" => Partition::Accessory,
            "long" => Partition::Long,
            "reserved" => Partition::Reserved,
            "advanced" => Partition::Advanced,
            "idle" => Partition::Idle,
            other => panic!("no partition {other}"),
        };
        for byte in 0..=255_u8 {
            let within = (self.first..=self.last).contains(&byte);
            assert_eq!(Partition::of(byte) == expected, within, "{byte}");
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BasicBits {
    keyed: u16,
    numbering: String,
    binary: u16,
    bits: String,
}

impl Check for BasicBits {
    fn check(&self) {
        let address = address(self.keyed, &self.numbering, self.binary);
        for pair_bit in PairBit::ALL {
            for activate in [false, true] {
                let bits = bits_of(&self.bits)
                    .replace('D', if activate { "1" } else { "0" })
                    .replace('R', &pair_bit.to_string());
                let basic = BasicAccessory::new(address, pair_bit, activate);
                assert_eq!(binary_text(basic.emit().body()), bits);
                let body = [byte(&bits[..8]), byte(&bits[8..])];
                let packet = Packet::from_body(&body).unwrap();
                assert_eq!(BasicAccessory::parse(&packet), Ok(basic));
            }
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BasicBytes {
    body: String,
    keyed: u16,
}

impl Check for BasicBytes {
    fn check(&self) {
        let bytes = throwproof_protocol::packet::RawBytes::parse_hex(&self.body).unwrap();
        let packet = Packet::from_body(bytes.as_bytes()).unwrap();
        let keyed = KeyedAddress::new(self.keyed).unwrap();
        let basic = BasicAccessory::new(keyed.binary(Numbering::Linear), PairBit::Zero, false);
        assert_eq!(basic.emit(), packet);
        let read = BasicAccessory::parse(&packet).unwrap();
        assert_eq!(read.address.keyed(Numbering::Linear), keyed);
        assert_eq!(read, basic);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ExtendedBits {
    keyed: u16,
    binary: u16,
    bits: String,
}

impl Check for ExtendedBits {
    fn check(&self) {
        let address = address(self.keyed, "linear", self.binary);
        for data in [0x00, 0x05, 0xff] {
            let extended = ExtendedAccessory::new(address, data);
            let bits = bits_of(&self.bits);
            assert_eq!(binary_text(&extended.emit().body()[..2]), bits);
            let body = [byte(&bits[..8]), byte(&bits[8..]), data];
            let packet = Packet::from_body(&body).unwrap();
            assert_eq!(ExtendedAccessory::parse(&packet), Ok(extended));
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BasicAddressBits {
    keyed: u16,
    binary: u16,
    position: Option<String>,
    bits: String,
}

impl BasicAddressBits {
    /// A10 to A8, A7 to A2, A1 A0, R, picked out of the packet by their places in section D.
    fn picked(packet: &Packet) -> String {
        let text = binary_text(packet.body());
        [&text[9..12], &text[2..8], &text[13..15], &text[15..16]].concat()
    }
}

impl Check for BasicAddressBits {
    fn check(&self) {
        let address = address(self.keyed, "linear", self.binary);
        let positions = match &self.position {
            Some(position) => vec![position.parse::<Position>().unwrap()],
            None => Position::ALL.to_vec(),
        };
        for position in positions {
            let pair_bit = position.pair_bit();
            let bits = self.bits.replace('R', &pair_bit.to_string());
            let basic = BasicAccessory::new(address, pair_bit, true);
            assert_eq!(Self::picked(&basic.emit()), bits);
            let body = [
                byte(&["10", &bits[3..9]].concat()),
                byte(&["1", &bits[..3], "1", &bits[9..]].concat()),
            ];
            let read = BasicAccessory::parse(&Packet::from_body(&body).unwrap()).unwrap();
            assert_eq!((read, read.pair_bit.position()), (basic, position));
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BasicPair {
    keyed: u16,
    numbering: String,
    binary: u16,
    zero: Option<String>,
    one: String,
}

impl Check for BasicPair {
    fn check(&self) {
        let address = address(self.keyed, &self.numbering, self.binary);
        let zero = self.zero.iter().map(|text| (PairBit::Zero, text));
        for (pair_bit, text) in zero.chain([(PairBit::One, &self.one)]) {
            let basic = BasicAccessory::new(address, pair_bit, true);
            assert_eq!(basic.emit(), packet(text));
            assert_eq!(BasicAccessory::parse(&packet(text)), Ok(basic));
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct DecoderAndOutput {
    keyed: u16,
    decoder: u16,
    output: u8,
}

impl Check for DecoderAndOutput {
    fn check(&self) {
        let keyed = KeyedAddress::new(self.keyed).unwrap();
        let address = keyed.binary(Numbering::Linear);
        assert_eq!(
            (address.decoder().get(), address.pair() + 1),
            (self.decoder, self.output)
        );
        let back = BinaryAddress::from_parts(address.decoder(), self.output - 1).unwrap();
        assert_eq!(back.keyed(Numbering::Linear), keyed);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CvField {
    cv: u16,
    bits: String,
}

impl Check for CvField {
    fn check(&self) {
        let cv = CvNumber::new(self.cv).unwrap();
        assert_eq!(format!("{:010b}", cv.field()), bits_of(&self.bits));
        let (high, low) = self.bits.split_once(' ').unwrap();
        assert_eq!(CvNumber::from_field(byte(high), byte(low)), cv);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CvAlias {
    cv: u16,
    alias: u16,
}

impl Check for CvAlias {
    fn check(&self) {
        let cv = CvNumber::new(self.cv).unwrap();
        let alias = CvNumber::new(self.alias).unwrap();
        assert_eq!((cv.alias(), alias.alias()), (Some(alias), Some(cv)));
        assert_eq!(alias.canonical(), cv);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Cv29Bit {
    bit: u8,
    meaning: String,
}

impl Check for Cv29Bit {
    fn check(&self) {
        let value = Cv29(1 << self.bit);
        let (put, is) = match self.meaning.as_str() {
            "bidi" => (Cv29(0).with_bidi(true), value.is_bidi()),
            "extended" => (Cv29(0).with_extended(true), value.is_extended()),
            "output-method" => (
                Cv29(0).with_address_method(AddressMethod::Output),
                value.address_method() == AddressMethod::Output,
            ),
            "accessory" => (Cv29(0).with_accessory(true), value.is_accessory()),
            other => panic!("no meaning {other}"),
        };
        assert_eq!(put, value);
        assert!(is);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct AddressCvsVector {
    method: String,
    low: u8,
    high: u8,
    keyed: u16,
    binary: u16,
}

impl Check for AddressCvsVector {
    fn check(&self) {
        let method = match self.method.as_str() {
            "decoder" => AddressMethod::Decoder,
            "output" => AddressMethod::Output,
            other => panic!("no method {other}"),
        };
        let cvs = AddressCvs {
            low: self.low,
            high: self.high,
        };
        let first = address(self.keyed, "linear", self.binary);
        assert_eq!(AddressCvs::for_binary(first, method), cvs);
        assert_eq!(cvs.binary(method), Ok(first));
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PrintedFormula {
    low: u8,
    high: u8,
    binary: u16,
}

impl Check for PrintedFormula {
    fn check(&self) {
        let cvs = AddressCvs {
            low: self.low,
            high: self.high,
        };
        let printed = cvs.binary_by_printed_formula().unwrap();
        assert_eq!(printed.get(), self.binary);
        let adopted = cvs.binary(AddressMethod::Output).unwrap();
        assert_eq!(adopted.get(), printed.get() + 4, "the contradiction");
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Signal {
    bits: String,
    supplement: u8,
    speed: u8,
    words: String,
}

impl Check for Signal {
    fn check(&self) {
        let signal = SignalReading::Aspect {
            supplement: self.supplement,
            speed: self.speed,
        };
        check_signal(signal, &self.bits, &self.words);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SignalTime {
    bits: String,
    steps: u8,
    words: String,
}

impl Check for SignalTime {
    fn check(&self) {
        let signal = SignalReading::SwitchingTime { steps: self.steps };
        check_signal(signal, &self.bits, &self.words);
    }
}

fn check_signal(signal: SignalReading, bits: &str, words: &str) {
    assert_eq!(signal.data(), byte(bits));
    assert_eq!(SignalReading::from_data(byte(bits)), signal);
    assert_eq!(signal.to_string(), words);
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct WindowVector {
    symbol: String,
    min: u64,
    nominal: u64,
    max: u64,
}

impl Check for WindowVector {
    fn check(&self) {
        let (window, nominal) = match self.symbol.as_str() {
            "t1" => (timing::TRANSMIT_ONE, timing::NOMINAL_ONE),
            "tr1" => (timing::RECEIVE_ONE, timing::NOMINAL_ONE),
            "t0" => (timing::TRANSMIT_ZERO, timing::NOMINAL_ZERO),
            "tr0" => (timing::RECEIVE_ZERO, timing::NOMINAL_ZERO),
            other => panic!("no window {other}"),
        };
        assert_eq!(window, Window::micros(self.min, self.max));
        assert_eq!(nominal, Nanos::from_micros(self.nominal));
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Limit {
    symbol: String,
    max: u64,
}

impl Check for Limit {
    fn check(&self) {
        let limit = match self.symbol.as_str() {
            "t1d" => timing::TRANSMIT_ONE_DIFFERENCE_MAX,
            "tr1d" => timing::RECEIVE_ONE_DIFFERENCE_MAX,
            "t0total" => timing::TRANSMIT_ZERO_TOTAL_MAX,
            other => panic!("no limit {other}"),
        };
        assert_eq!(limit, Nanos::from_micros(self.max));
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PreambleVector {
    who: String,
    bits: u8,
}

impl Check for PreambleVector {
    fn check(&self) {
        let preamble = match self.who.as_str() {
            "station" => Preamble::OPERATIONS_NMRA,
            "station-rcn" => Preamble::OPERATIONS_RCN,
            "service" => Preamble::SERVICE,
            "decoder-accepts" => Preamble::DECODER_MUST_ACCEPT,
            "decoder-rejects-below" => Preamble::DECODER_MUST_REJECT_BELOW,
            other => panic!("no preamble {other}"),
        };
        assert_eq!(preamble.bits(), self.bits);
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct OnTheRails {
    packet: String,
    preamble: u8,
    bits: usize,
    microseconds: u64,
    text: Option<String>,
}

impl Check for OnTheRails {
    fn check(&self) {
        let packet = packet(&self.packet);
        let bits = packet.bits(Preamble::new(self.preamble).unwrap());
        assert_eq!(bits.len(), self.bits);
        if let Some(text) = &self.text {
            assert_eq!(
                bits.clone().map(Bit::as_char).collect::<String>(),
                bits_of(text)
            );
        }
        let total = Shape::NOMINAL.duration(bits.clone());
        assert_eq!(total, Nanos::from_micros(self.microseconds));

        let mut decoder = BitDecoder::new();
        let last = bits.clone().map(|bit| decoder.push(bit)).last();
        assert!(matches!(last, Some(Progress::Packet(received)) if received.packet == packet));
        let mut decoder = SignalDecoder::new();
        let last = bits
            .half_bits(Shape::NOMINAL)
            .map(|half| decoder.push(half))
            .last();
        assert!(
            matches!(last, Some(SignalProgress::Packet(received)) if received.packet == packet)
        );
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Sequence {
    what: String,
    counts: [u8; 3],
}

impl Check for Sequence {
    fn check(&self) {
        let operation = match self.what.as_str() {
            "verify" => CvOperation::VerifyByte(1),
            "write" => CvOperation::WriteByte(1),
            other => panic!("no sequence {other}"),
        };
        let access = DirectAccess {
            cv: CvNumber::ADDRESS_LOW,
            operation,
        };
        let counts: Vec<_> = ServiceSequence::new(access.into(), PowerOn::Already)
            .map(|step| step.count)
            .collect();
        assert_eq!(counts, self.counts);
    }
}
