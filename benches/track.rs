//! Speed of the simulated track: half-bits through a receiver, and whole sweeps by size.
//!
//! A sweep's counter is simulated microseconds, so that the throughput column reads as
//! simulated time over real time.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a benchmark fails by panic"
)]

use std::fmt::Write as _;

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use throwproof::event::hub::Hub;
use throwproof::plan::Plan;
use throwproof::sweep::stop::StopToken;
use throwproof::sweep::{Options, Sweep};
use throwproof::track;
use throwproof::track::as_built::AsBuilt;
use throwproof::track::clock::Nanos;
use throwproof::track::receiver::Receiver;
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::packet::Packet;

fn main() {
    divan::main();
}

/// Half-bits of one idle packet after another: what a receiver hears most of the time.
#[divan::bench]
fn receiver_half_bits(bencher: Bencher) {
    let halves: Vec<Nanos> = (0..200)
        .flat_map(|_| Packet::IDLE.bits(Preamble::OPERATIONS_RCN))
        .flat_map(|bit| {
            let half = Nanos::from_micros(if bit.is_one() { 58 } else { 100 });
            [half, half]
        })
        .collect();
    let mut receiver = Receiver::default();
    bencher
        .counter(ItemsCount::new(halves.len()))
        .bench_local(|| {
            halves
                .iter()
                .filter(|half| receiver.half(black_box(**half)).is_some())
                .count()
        });
}

/// That many turnouts on eight-output decoders, addresses from 1.
fn plan(turnouts: usize) -> Plan {
    let mut text = String::from("[layout]\nname = \"Bench\"\n");
    for supply in 0..turnouts.div_ceil(64) {
        let _ = write!(
            text,
            "[supply.s{supply}]\nkind = \"separate\"\nvolts = 16.0\namps = 4.0\n"
        );
    }
    for decoder in 0..turnouts.div_ceil(8) {
        let (first, supply) = (decoder * 8 + 1, decoder / 8);
        let _ = write!(
            text,
            "[decoder.d{decoder}]\noutputs = 8\nfirst_address = {first}\nsupply = \"s{supply}\"\n\
             output_kind = \"pulse\"\npulse_ms = 150\n"
        );
    }
    for turnout in 0..turnouts {
        let (decoder, output) = (turnout / 8, turnout % 8 + 1);
        let _ = write!(
            text,
            "[[turnout]]\nid = \"t{turnout}\"\nshape = \"left\"\ndecoder = \"d{decoder}\"\n\
             output = {output}\ndrive = \"twin-coil\"\namps = 1.0\n"
        );
    }
    Plan::from_text("bench.toml", &text).unwrap_or_else(|problems| panic!("{problems}"))
}

#[divan::bench(args = [64, 128, 256, 512, 1024, 2040], sample_count = 10)]
fn sweep(bencher: Bencher, turnouts: usize) {
    let plan = plan(turnouts);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    let run = || {
        let (mut link, mut witness) = track::open(&plan, &AsBuilt::default(), 1);
        let mut hub = Hub::new();
        let sweep = Sweep {
            plan: &plan,
            link: &mut link,
            witness: &mut witness,
            hub: &mut hub,
            stop: StopToken::never(),
            options: Options::default(),
        };
        let summary = runtime.block_on(sweep.run()).unwrap();
        assert_eq!(summary.proved, turnouts);
        summary.elapsed
    };
    let simulated = usize::try_from(run().as_micros()).unwrap();
    bencher.counter(ItemsCount::new(simulated)).bench_local(run);
}
