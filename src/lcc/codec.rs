//! Frames as text on a byte stream, for `tokio_util`: a thin ring around the pure decoder.

use bytes::{Buf, BufMut, BytesMut};
use throwproof_protocol::lcc::{CanFrame, Decoded, GridConnect, Tally, TextFrame};
use tokio_util::codec::{Decoder, Encoder};

/// Reads and writes frames. What is no frame is dropped and counted, see [`FrameCodec::tally`];
/// reading never fails but with the stream.
#[derive(Debug, Clone, Default)]
pub struct FrameCodec {
    decoder: GridConnect,
}

impl FrameCodec {
    /// A codec between frames.
    pub const fn new() -> Self {
        Self {
            decoder: GridConnect::new(),
        }
    }

    /// What was read and dropped so far.
    pub const fn tally(&self) -> Tally {
        self.decoder.tally()
    }
}

impl Decoder for FrameCodec {
    type Item = CanFrame;
    type Error = std::io::Error;

    fn decode(&mut self, source: &mut BytesMut) -> std::io::Result<Option<CanFrame>> {
        loop {
            let (used, found) = self.decoder.decode(source);
            // The decoder keeps what it needs, so the buffer never grows past one read.
            source.advance(used);
            match found {
                Some(Decoded::Frame(frame)) => return Ok(Some(frame)),
                Some(Decoded::Dropped(dropped)) => {
                    tracing::debug!(reason = %dropped.reason, bytes = dropped.bytes, "dropped");
                }
                None => return Ok(None),
            }
        }
    }

    fn decode_eof(&mut self, source: &mut BytesMut) -> std::io::Result<Option<CanFrame>> {
        let found = self.decode(source)?;
        if found.is_none() {
            self.decoder.reset();
        }
        Ok(found)
    }
}

impl Encoder<CanFrame> for FrameCodec {
    type Error = std::io::Error;

    fn encode(&mut self, frame: CanFrame, target: &mut BytesMut) -> std::io::Result<()> {
        let text = TextFrame::of(&frame);
        target.reserve(text.as_bytes().len() + 1);
        target.put_slice(text.as_bytes());
        // Common practice, no source: a line end, so that a log of the line can be read.
        target.put_u8(b'\n');
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use throwproof_protocol::lcc::{CanId, DropReason};

    #[test]
    fn frames_pass_through_whole_and_in_pieces() {
        let frame = CanFrame::new(CanId::Extended(0x195b_4123), &[1, 2, 3]).unwrap();
        let mut codec = FrameCodec::new();
        let mut line = BytesMut::new();
        codec.encode(frame, &mut line).unwrap();
        assert_eq!(&line[..], b":X195B4123N010203;\n");
        let mut sent = line.clone();
        sent.extend_from_slice(b"noise:X19:X195B4");
        assert_eq!(codec.decode(&mut sent).unwrap(), Some(frame));
        assert_eq!(codec.decode(&mut sent).unwrap(), None);
        assert!(sent.is_empty());
        sent.extend_from_slice(b"123N010203;:X1");
        assert_eq!(codec.decode(&mut sent).unwrap(), Some(frame));
        assert_eq!(codec.decode_eof(&mut sent).unwrap(), None);
        let tally = codec.tally();
        assert_eq!(tally.frames, 2);
        assert_eq!(tally.drops(DropReason::Garbage), 1);
        assert_eq!(tally.drops(DropReason::Interrupted), 2);
    }
}
