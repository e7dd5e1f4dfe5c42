//! How fast profiles are spoken.

use std::sync::Arc;

use bytes::BytesMut;
use divan::counter::{BytesCount, ItemsCount};
use divan::{Bencher, black_box};
use throwproof::profile::{Command, Profile, ProfileCodec, Says, StationCodec};
use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::instruction::BasicAccessory;

const SHIPPED: [(&str, &str); 2] = [
    (
        "text",
        include_str!("../fixtures/profiles/harbour-text.toml"),
    ),
    (
        "binary",
        include_str!("../fixtures/profiles/harbour-binary.toml"),
    ),
];

const NAMES: [&str; 2] = ["text", "binary"];

fn main() {
    divan::main();
}

fn shipped(name: &str) -> Arc<Profile> {
    let text = SHIPPED
        .iter()
        .find(|(known, _)| *known == name)
        .expect("it ships");
    Arc::new(Profile::from_text("shipped.toml", text.1).expect("it is sound"))
}

fn throw() -> Command {
    let address = BinaryAddress::new(40).expect("11 bits");
    BasicAccessory::new(address, PairBit::Zero, true).into()
}

#[divan::bench(args = NAMES)]
fn read_the_profile(name: &str) -> Arc<Profile> {
    shipped(name)
}

#[divan::bench(args = NAMES)]
fn encode_a_throw(bencher: Bencher<'_, '_>, name: &str) {
    let profile = shipped(name);
    bencher.bench(|| profile.encode(black_box(&throw())));
}

#[divan::bench(args = NAMES)]
fn decode_reports(bencher: Bencher<'_, '_>, name: &str) {
    let profile = shipped(name);
    let station = StationCodec::new(Arc::clone(&profile)).expect("it can be served");
    let reports: Vec<u8> = BinaryAddress::all()
        .filter_map(|address| {
            let pair_bit = PairBit::One;
            station.emit(&Says::Position { address, pair_bit }, None)
        })
        .flatten()
        .collect();
    let counted = bencher
        .counter(ItemsCount::new(2048_usize))
        .counter(BytesCount::new(reports.len()));
    counted.bench(|| {
        let mut codec = ProfileCodec::new(Arc::clone(&profile));
        let mut buffer = BytesMut::from(&*reports);
        let mut found = 0;
        while codec.decode(&mut buffer).is_some() {
            found += 1;
        }
        assert_eq!(found, 2048);
    });
}

#[divan::bench(args = NAMES)]
fn understand_a_throw(bencher: Bencher<'_, '_>, name: &str) {
    let profile = shipped(name);
    let outgoing = profile.encode(&throw()).expect("it can be sent");
    let bytes = outgoing.expect("there is something to send").bytes;
    let mut station = StationCodec::new(profile).expect("it can be served");
    bencher.bench_local(|| station.decode(&mut BytesMut::from(&*bytes)));
}

#[divan::bench(args = NAMES)]
fn throw_away_noise(bencher: Bencher<'_, '_>, name: &str) {
    let profile = shipped(name);
    let noise: Vec<u8> = (0..65_536_u32)
        .map(|index| index.wrapping_mul(2_654_435_761).to_be_bytes()[0])
        .collect();
    bencher.counter(BytesCount::new(noise.len())).bench(|| {
        let mut codec = ProfileCodec::new(Arc::clone(&profile));
        let mut buffer = BytesMut::from(&*noise);
        while codec.decode(&mut buffer).is_some() {}
        codec.counters()
    });
}
