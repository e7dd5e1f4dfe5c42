//! Base64 of RFC 4648: section 5 for links and cookies, section 4 for a Content-Security-Policy.

const PLAIN: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
const URL: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";

/// Section 4, padded.
pub(super) fn padded(bytes: &[u8]) -> String {
    let mut text = encode(bytes, PLAIN);
    while !text.len().is_multiple_of(4) {
        text.push('=');
    }
    text
}

/// Section 5, without padding.
pub(super) fn url(bytes: &[u8]) -> String {
    encode(bytes, URL)
}

fn encode(bytes: &[u8], alphabet: &[u8; 64]) -> String {
    let mut text = String::new();
    for chunk in bytes.chunks(3) {
        let mut group = [0; 4];
        group[1..=chunk.len()].copy_from_slice(chunk);
        let group = u32::from_be_bytes(group);
        for place in 0..=chunk.len() {
            let six = (group >> (18 - 6 * place)) & 63;
            text.push(char::from(alphabet[six as usize]));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10.
    #[test]
    fn published_examples() {
        let examples = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (bytes, text) in examples {
            assert_eq!(padded(bytes.as_bytes()), text);
            assert_eq!(url(bytes.as_bytes()), text.trim_end_matches('='));
        }
        assert_eq!(
            (padded(&[0xfb, 0xff]), url(&[0xfb, 0xff])),
            ("+/8=".into(), "-_8".into())
        );
    }
}
