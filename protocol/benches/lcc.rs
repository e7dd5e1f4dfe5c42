//! Frames a second, to text and from text.

use divan::Bencher;
use divan::counter::ItemsCount;
use throwproof_protocol::lcc::{CanFrame, CanId, Decoded, GridConnect, TextFrame};

fn main() {
    divan::main();
}

const COUNT: usize = 10_000;

fn frames() -> Vec<CanFrame> {
    (0..COUNT)
        .map(|number| {
            let low = u32::try_from(number).unwrap_or(0) & 0xfff;
            let data = 0x0101_0200_00ff_0000_u64.to_be_bytes();
            CanFrame::new(CanId::Extended(0x195b_4000 | low), &data[..number % 9])
        })
        .collect::<Result<_, _>>()
        .unwrap_or_default()
}

#[divan::bench]
fn encode(bencher: Bencher<'_, '_>) {
    let frames = frames();
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        for frame in &frames {
            divan::black_box(TextFrame::of(divan::black_box(frame)));
        }
    });
}

#[divan::bench]
fn decode(bencher: Bencher<'_, '_>) {
    let text: String = frames().iter().map(ToString::to_string).collect();
    bencher.counter(ItemsCount::new(COUNT)).bench_local(|| {
        let mut decoder = GridConnect::new();
        let read = decoder
            .feed(divan::black_box(text.as_bytes()))
            .filter(|found| matches!(found, Decoded::Frame(_)))
            .count();
        assert_eq!(read, COUNT);
    });
}
