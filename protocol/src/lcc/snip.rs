//! Simple node information: who made a node, and what its owner calls it.
//!
//! ```text
//! 04  maker NUL model NUL hardware NUL software NUL  02  name NUL description NUL
//! ```
//!
//! clause: Simple Node Information S 5.

/// What can be wrong with node information.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum NodeInformationError {
    /// Text longer than its field.
    #[error("the node's {field} has {found} bytes: {most} are the most")]
    TooLong {
        /// Which.
        field: &'static str,
        /// The most, without the final NUL.
        most: usize,
        /// How many there were.
        found: usize,
    },
    /// A NUL, which ends a field.
    #[error("the node's {field} has a NUL in it")]
    Nul {
        /// Which.
        field: &'static str,
    },
    /// Bytes that end too early.
    #[error("the node information ends in its {field}")]
    Ends {
        /// In which field.
        field: &'static str,
    },
    /// A version byte of zero.
    #[error("version {found} of the node information is not known")]
    Version {
        /// The byte.
        found: u8,
    },
    /// Text that is not UTF-8.
    #[error("the node's {field} is not UTF-8 text")]
    Text {
        /// In which field.
        field: &'static str,
    },
}

/// Name and longest text, without the final NUL, of the six fields.
const FIELDS: [(&str, usize); 6] = [
    ("maker", 40),
    ("model", 40),
    ("hardware version", 20),
    ("software version", 20),
    ("name", 62),
    ("description", 63),
];

/// The six texts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct NodeInformation<'a> {
    fields: [&'a str; 6],
}

/// The most bytes a payload has.
pub const MAX_LEN: usize = 253;

impl<'a> NodeInformation<'a> {
    /// From maker, model, hardware version, software version, the owner's name for the node and
    /// the owner's description of it.
    ///
    /// # Errors
    /// When a text is too long for its field or has a NUL in it.
    pub fn new(fields: [&'a str; 6]) -> Result<Self, NodeInformationError> {
        for (text, (field, most)) in fields.iter().zip(FIELDS) {
            if text.len() > most {
                return Err(NodeInformationError::TooLong {
                    field,
                    most,
                    found: text.len(),
                });
            }
            if text.bytes().any(|byte| byte == 0) {
                return Err(NodeInformationError::Nul { field });
            }
        }
        Ok(Self { fields })
    }

    /// Reads a payload. Sections with more texts than are known here are read, the rest left out.
    ///
    /// # Errors
    /// When the payload ends too early or holds what is no text.
    pub fn parse(payload: &'a [u8]) -> Result<Self, NodeInformationError> {
        let mut fields = [""; 6];
        let mut rest = payload;
        let (first, second) = fields.split_at_mut(4);
        rest = section(rest, first, FIELDS.get(..4).unwrap_or_default())?;
        section(rest, second, FIELDS.get(4..).unwrap_or_default())?;
        Ok(Self { fields })
    }

    /// Is this the whole of a payload? False when more frames have to come.
    pub fn is_whole(payload: &'a [u8]) -> bool {
        !matches!(Self::parse(payload), Err(NodeInformationError::Ends { .. }))
    }

    /// Writes the payload to the front of a buffer and returns it.
    pub fn emit<'b>(&self, buffer: &'b mut [u8; MAX_LEN]) -> &'b [u8] {
        let mut len = 0_usize;
        let mut put = |bytes: &[u8]| {
            let end = len.saturating_add(bytes.len());
            if let Some(to) = buffer.get_mut(len..end) {
                to.copy_from_slice(bytes);
                len = end;
            }
        };
        for (place, text) in self.fields.iter().enumerate() {
            match place {
                0 => put(&[4]),
                4 => put(&[2]),
                _ => {}
            }
            put(text.as_bytes());
            put(&[0]);
        }
        buffer.get(..len).unwrap_or_default()
    }

    /// Who made it.
    pub const fn maker(&self) -> &'a str {
        let [text, ..] = self.fields;
        text
    }

    /// What it is.
    pub const fn model(&self) -> &'a str {
        let [_, text, ..] = self.fields;
        text
    }

    /// Version of its hardware.
    pub const fn hardware(&self) -> &'a str {
        let [_, _, text, ..] = self.fields;
        text
    }

    /// Version of its software.
    pub const fn software(&self) -> &'a str {
        let [.., text, _, _] = self.fields;
        text
    }

    /// What its owner calls it.
    pub const fn name(&self) -> &'a str {
        let [.., text, _] = self.fields;
        text
    }

    /// What its owner says of it.
    pub const fn description(&self) -> &'a str {
        let [.., text] = self.fields;
        text
    }
}

/// Reads a version byte and as many texts as it stands for; returns what is left.
fn section<'a>(
    bytes: &'a [u8],
    fields: &mut [&'a str],
    names: &[(&'static str, usize)],
) -> Result<&'a [u8], NodeInformationError> {
    let field = names.first().map_or("", |(name, _)| *name);
    let (version, mut rest) = bytes
        .split_first()
        .ok_or(NodeInformationError::Ends { field })?;
    // clause: Simple Node Information S 5.2: the number of texts; 1 stands for the first form.
    let texts = match *version {
        0 => return Err(NodeInformationError::Version { found: 0 }),
        1 => fields.len(),
        more => usize::from(more),
    };
    let mut known = fields.iter_mut().zip(names);
    for _ in 0..texts {
        let target = known.next();
        let field = target.as_ref().map_or("rest", |(_, (name, _))| *name);
        let end = rest
            .iter()
            .position(|byte| *byte == 0)
            .ok_or(NodeInformationError::Ends { field })?;
        let (text, after) = rest.split_at(end);
        rest = after.get(1..).unwrap_or_default();
        if let Some((to, _)) = target {
            *to = core::str::from_utf8(text).map_err(|_| NodeInformationError::Text { field })?;
        }
    }
    Ok(rest)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::string::String;

    proptest! {
        #[test]
        fn information_is_written_and_read_back(texts in prop::array::uniform6("[a-z .-]{0,20}")) {
            let fields = texts.each_ref().map(String::as_str);
            let information = NodeInformation::new(fields).unwrap();
            let mut buffer = [0xa5; MAX_LEN];
            let payload = information.emit(&mut buffer);
            prop_assert_eq!(NodeInformation::parse(payload), Ok(information));
            for end in 0..payload.len() {
                prop_assert!(!NodeInformation::is_whole(&payload[..end]));
            }
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let _: Result<_, _> = NodeInformation::parse(&bytes);
        }
    }

    #[test]
    fn fields_have_the_lengths_of_the_standard() {
        // clause: Simple Node Information S 5.1: 41, 41, 21, 21, 63 and 64 bytes with their NUL.
        let long = "x".repeat(100);
        let most = [40, 40, 20, 20, 62, 63];
        let full = most.map(|len| &long[..len]);
        let mut buffer = [0xa5; MAX_LEN];
        let payload = NodeInformation::new(full)
            .unwrap()
            .emit(&mut buffer)
            .to_vec();
        assert_eq!(payload.len(), MAX_LEN);
        assert_eq!((payload[0], payload[1 + 41 + 41 + 21 + 21]), (4, 2));
        for (place, most) in most.into_iter().enumerate() {
            let mut fields = full;
            fields[place] = &long[..=most];
            assert!(matches!(
                NodeInformation::new(fields),
                Err(NodeInformationError::TooLong { found, .. }) if found == most + 1
            ));
        }
        assert!(NodeInformation::new(["a\0b", "", "", "", "", ""]).is_err());
    }

    #[test]
    fn both_versions_and_later_ones_are_read() {
        // clause: Simple Node Information S 5.1 and 5.2.
        for payload in [
            &b"\x04m\0o\0h\0s\0\x02n\0d\0"[..],
            b"\x01m\0o\0h\0s\0\x01n\0d\0",
            b"\x05m\0o\0h\0s\0more\0\x03n\0d\0more\0",
        ] {
            let information = NodeInformation::parse(payload).unwrap();
            assert_eq!(
                [
                    information.maker(),
                    information.model(),
                    information.hardware(),
                    information.software(),
                    information.name(),
                    information.description(),
                ],
                ["m", "o", "h", "s", "n", "d"]
            );
        }
        assert_eq!(
            NodeInformation::parse(b"\0"),
            Err(NodeInformationError::Version { found: 0 })
        );
    }
}
