//! Any bytes, cut anywhere, through both sides of both shipped profiles: nothing panics, the
//! buffer stays bounded, and how the bytes are cut makes no difference.
#![no_main]

use std::sync::{Arc, LazyLock};

use bytes::BytesMut;
use libfuzzer_sys::fuzz_target;
use throwproof::profile::{Decoded, Profile, ProfileCodec, Reply, StationCodec};

static PROFILES: LazyLock<[Arc<Profile>; 2]> = LazyLock::new(|| {
    [
        include_str!("../../fixtures/profiles/harbour-text.toml"),
        include_str!("../../fixtures/profiles/harbour-binary.toml"),
    ]
    .map(|text| Arc::new(Profile::from_text("shipped.toml", text).expect("it is sound")))
});

fn replies(profile: &Arc<Profile>, bytes: &[u8], cut: usize) -> Vec<Reply> {
    let mut codec = ProfileCodec::new(Arc::clone(profile));
    let mut buffer = BytesMut::new();
    let mut replies = Vec::new();
    for chunk in bytes.chunks(cut) {
        buffer.extend_from_slice(chunk);
        while let Some(decoded) = codec.decode(&mut buffer) {
            if let Decoded::Reply(reply, _) = decoded {
                replies.push(reply);
            }
        }
        assert!(buffer.len() <= 256, "{} bytes kept", buffer.len());
    }
    while codec.decode_after_silence(&mut buffer).is_some() {}
    assert!(buffer.is_empty());
    replies
}

fuzz_target!(|data: &[u8]| {
    let Some((cut, bytes)) = data.split_first() else {
        return;
    };
    for profile in PROFILES.iter() {
        let whole = replies(profile, bytes, bytes.len().max(1));
        let parts = replies(profile, bytes, usize::from(*cut).max(1));
        assert_eq!(whole, parts);
        let mut station = StationCodec::new(Arc::clone(profile)).expect("it can be served");
        let mut buffer = BytesMut::from(bytes);
        while station.decode_after_silence(&mut buffer).is_some() {}
        assert!(buffer.is_empty());
    }
});
