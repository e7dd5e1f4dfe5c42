//! Packets, byte by byte and bit by bit, as a person and as a program reads them.

use std::fmt::Write as _;

use serde::Serialize;
use throwproof_protocol::address::{BinaryAddress, DecoderAddress, Numbering, PairBit};
use throwproof_protocol::bits::{Bit, Preamble};
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::instruction::{CvTarget, Instruction, SignalReading, SwitchingTime};
use throwproof_protocol::packet::Packet;
use throwproof_protocol::pretty::{Context, Description, Reading, ReadingError};
use throwproof_protocol::service::{Listen, Purpose, ServiceInstruction, ServiceStep};
use throwproof_protocol::timing::Shape;

/// How the data byte of an extended packet is read, when asked for: packets do not say which.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DataReading {
    /// How long an output stays on (RCN-213, second-hand).
    SwitchingTime,
    /// A signal aspect (NEM 672, 2015).
    Signal,
}

/// How a packet is shown.
#[derive(Debug, Clone, Copy)]
pub struct Show {
    /// Where it is sent.
    pub context: Context,
    /// How keyed addresses are numbered.
    pub numbering: Numbering,
    /// How many bits go before it.
    pub preamble: Preamble,
    /// How the data of an extended packet is read.
    pub data: Option<DataReading>,
}

impl Show {
    /// On the layout, with the shortest preamble that a station may send.
    pub fn operations(numbering: Numbering) -> Self {
        let preamble = Preamble::OPERATIONS_NMRA;
        Self {
            context: Context::Operations,
            numbering,
            preamble,
            data: None,
        }
    }

    /// On the programming track, with its long preamble.
    pub fn service() -> Self {
        Self {
            context: Context::Service,
            numbering: Numbering::default(),
            preamble: Preamble::SERVICE,
            data: None,
        }
    }

    /// The description of any bytes, for people.
    pub fn describe(self, bytes: &[u8]) -> Description<'_> {
        Description::new(bytes)
            .with_context(self.context)
            .with_numbering(self.numbering)
    }

    /// All of a packet, for people.
    pub fn text(self, packet: &Packet) -> String {
        let mut text = self.describe(packet.as_bytes()).to_string();
        if let Some(reading) = self.data_reading(packet) {
            push(&mut text, format_args!("\nread as {reading}\n"));
        }
        let (count, micros) = self.length(packet);
        push(
            &mut text,
            format_args!(
                "\non the rails  {}\n              {} preamble bits, a 0 before each byte, a 1 at \
                 the end\nlasts         {}.{:03} ms: {count} bits, with half-bits of 58 and 100 µs\n",
                self.grouped_bits(packet),
                self.preamble.bits(),
                micros / 1000,
                micros % 1000,
            ),
        );
        text
    }

    /// All of a packet as one line of JSON.
    ///
    /// # Errors
    /// When the packet says nothing.
    pub fn json(self, packet: &Packet) -> Result<String, ReadingError> {
        self.json_of(packet, None)
    }

    /// The same for a step of service mode, with how often it is sent, and when to listen.
    ///
    /// # Errors
    /// When the packet says nothing.
    pub fn json_step(self, step: &ServiceStep) -> Result<String, ReadingError> {
        self.json_of(&step.packet, Some(step))
    }

    fn json_of(self, packet: &Packet, step: Option<&ServiceStep>) -> Result<String, ReadingError> {
        let reading = self.describe(packet.as_bytes()).reading()?;
        let (bit_count, duration_us) = self.length(packet);
        let mut line = Line {
            event: "packet",
            packet: packet.to_string(),
            meaning: reading.to_string(),
            clause: reading.clause().to_string(),
            preamble: self.preamble.bits(),
            bits: packet.bits(self.preamble).map(Bit::as_char).collect(),
            bit_count,
            duration_us,
            read_as: self.data_reading(packet),
            ..Line::default()
        };
        match reading {
            Reading::Operations(instruction) => line.operations(&instruction, self.numbering),
            Reading::Service(instruction) => line.service(instruction),
        }
        if let Some(step) = step {
            line.count = Some(step.count);
            line.purpose = Some(purpose(step.purpose));
            line.listen_from = listen_from(step.listen);
        }
        Ok(serde_json::to_string(&line).unwrap_or_default())
    }

    fn data_reading(self, packet: &Packet) -> Option<String> {
        let data = Instruction::parse(packet).ok()?.as_extended()?.data;
        Some(match self.data? {
            DataReading::SwitchingTime => {
                format!("switching time: {}", SwitchingTime::from_data(data))
            }
            DataReading::Signal => format!("signal aspect: {}", SignalReading::from_data(data)),
        })
    }

    /// How many bits, preamble included, and how many microseconds.
    fn length(self, packet: &Packet) -> (usize, u64) {
        let bits = || packet.bits(self.preamble);
        (bits().count(), Shape::NOMINAL.duration(bits()).get() / 1000)
    }

    /// `11111111111111 0 10000001 0 11111001 0 01111000 1`.
    fn grouped_bits(self, packet: &Packet) -> String {
        let preamble = usize::from(self.preamble.bits());
        let mut text = String::new();
        for (index, bit) in packet.bits(self.preamble).enumerate() {
            // Behind the preamble a start bit and eight more, over and over, then the end bit.
            if index >= preamble && (index - preamble) % 9 < 2 {
                text.push(' ');
            }
            text.push(bit.as_char());
        }
        text
    }
}

/// Appends to a text, which takes anything.
fn push(text: &mut String, more: std::fmt::Arguments<'_>) {
    let _infallible = text.write_fmt(more);
}

/// What a step of service mode is for, as one word.
fn purpose(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::PowerOn => "power-on",
        Purpose::Enter => "enter",
        Purpose::Act => "act",
        Purpose::Recover => "recover",
        Purpose::AfterAcknowledgement => "after-acknowledgement",
    }
}

/// From the end bit of which packet of a step an acknowledgement may come; 0: from its beginning.
fn listen_from(listen: Listen) -> Option<u8> {
    match listen {
        Listen::No => None,
        Listen::FromEndOf(packet) => Some(packet),
        Listen::Throughout => Some(0),
    }
}

/// The steps of a service-mode sequence, for people.
pub fn steps(steps: &[ServiceStep]) -> String {
    let mut text = String::new();
    for step in steps {
        let why = match step.purpose {
            Purpose::PowerOn => "until decoders are ready",
            Purpose::Enter => "to enter service mode",
            Purpose::Act => "to do it; may end early when acknowledged",
            Purpose::Recover => "while the decoder stores the value",
            Purpose::AfterAcknowledgement => "to end, if it was acknowledged",
        };
        let listen = match step.listen {
            Listen::No => String::new(),
            Listen::FromEndOf(packet) => {
                format!("; listen from the end of packet {packet} of these")
            }
            Listen::Throughout => "; listen all the time".to_owned(),
        };
        let packet = step.packet.to_string();
        push(
            &mut text,
            format_args!("{:>3} ×  {packet:<12}  {why}{listen}\n", step.count),
        );
    }
    text
}

/// A packet as a program reads it. Fields that a kind of packet does not have are left out.
#[derive(Debug, Default, Serialize)]
struct Line {
    event: &'static str,
    packet: String,
    kind: &'static str,
    mode: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    address: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    numbering: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    binary_address: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    decoder_address: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pair: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    output: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    activate: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    position: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    data: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    read_as: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    extended: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    target: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    operation: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cv: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    register: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bit: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<u8>,
    meaning: String,
    clause: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    purpose: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    listen_from: Option<u8>,
    preamble: u8,
    bits: String,
    bit_count: usize,
    duration_us: u64,
}

impl Line {
    fn operations(&mut self, instruction: &Instruction, numbering: Numbering) {
        self.mode = "operations";
        self.kind = match instruction {
            Instruction::Basic(_) => "basic",
            Instruction::Extended(_) => "extended",
            Instruction::BasicBroadcast(_) => "basic-broadcast",
            Instruction::ExtendedBroadcast(_) => "extended-broadcast",
            Instruction::EmergencyStop(_) => "emergency-stop",
            Instruction::Nop(_) => "nop",
            Instruction::Cv(_) => "cv",
            Instruction::LegacyCv(_) => "legacy-cv",
            Instruction::Idle => "idle",
            Instruction::Reset => "reset",
            Instruction::BroadcastStop(_) => "broadcast-stop",
            Instruction::MultiFunction(_) => "multi-function",
            Instruction::Reserved(_) => "reserved",
        };
        // Broadcasts and the emergency stop have the bytes of an accessory command too.
        if let Some(basic) = instruction.as_basic() {
            self.binary(basic.address, numbering);
            self.output(basic.pair_bit);
            self.activate = Some(basic.activate);
            self.position = Some(basic.pair_bit.position().as_str());
        }
        if let Some(extended) = instruction.as_extended() {
            self.binary(extended.address, numbering);
            self.data = Some(extended.data);
        }
        match instruction {
            Instruction::Nop(nop) => {
                self.binary(nop.address, numbering);
                self.extended = Some(nop.extended);
            }
            Instruction::Cv(access) => {
                self.target(access.target, numbering);
                self.access(access.cv, access.operation);
            }
            Instruction::LegacyCv(legacy) => {
                self.decoder(legacy.decoder);
                self.access(legacy.cv, CvOperation::WriteByte(legacy.value));
            }
            Instruction::Basic(_)
            | Instruction::Extended(_)
            | Instruction::BasicBroadcast(_)
            | Instruction::ExtendedBroadcast(_)
            | Instruction::EmergencyStop(_)
            | Instruction::Idle
            | Instruction::Reset
            | Instruction::BroadcastStop(_)
            | Instruction::MultiFunction(_)
            | Instruction::Reserved(_) => {}
        }
    }

    fn service(&mut self, instruction: ServiceInstruction) {
        self.mode = "service";
        let verb = |write| if write { "write" } else { "verify" };
        match instruction {
            ServiceInstruction::Reset => self.kind = "reset",
            ServiceInstruction::PagePreset => self.kind = "page-preset",
            ServiceInstruction::Direct(direct) => {
                self.kind = "direct";
                self.access(direct.cv, direct.operation);
            }
            ServiceInstruction::AddressOnly(access) => {
                self.kind = "address-only";
                self.operation = Some(verb(access.is_write()));
                self.value = Some(access.address());
            }
            ServiceInstruction::Register(access) => {
                self.kind = "register";
                self.operation = Some(verb(access.is_write()));
                self.register = Some(access.register());
                self.value = Some(access.data());
            }
        }
    }

    fn binary(&mut self, address: BinaryAddress, numbering: Numbering) {
        self.address = Some(address.keyed(numbering).get());
        self.numbering = Some(numbering.as_str());
        self.binary_address = Some(address.get());
        self.decoder(address.decoder());
        self.pair = Some(address.pair());
    }

    fn decoder(&mut self, decoder: DecoderAddress) {
        self.decoder_address = Some(decoder.get());
    }

    fn output(&mut self, half: PairBit) {
        self.output = Some(half.as_u8());
    }

    fn target(&mut self, target: CvTarget, numbering: Numbering) {
        match target {
            CvTarget::Decoder(decoder) => {
                self.target = Some("decoder");
                self.decoder(decoder);
            }
            CvTarget::Output(decoder, output) => {
                self.target = Some("output");
                self.decoder(decoder);
                if let Ok(address) = BinaryAddress::from_parts(decoder, output.pair()) {
                    self.binary(address, numbering);
                }
                self.output(output.pair_bit());
            }
            CvTarget::Extended(address) => {
                self.target = Some("extended");
                self.binary(address, numbering);
            }
        }
    }

    fn access(&mut self, cv: CvNumber, operation: CvOperation) {
        self.cv = Some(cv.get());
        let (verb, bit, value) = match operation {
            CvOperation::VerifyByte(value) => ("verify", None, value),
            CvOperation::WriteByte(value) => ("write", None, value),
            CvOperation::VerifyBit(bit) => ("verify-bit", Some(bit.position()), bit.value().into()),
            CvOperation::WriteBit(bit) => ("write-bit", Some(bit.position()), bit.value().into()),
        };
        self.operation = Some(verb);
        self.bit = bit;
        self.value = Some(value);
    }
}
