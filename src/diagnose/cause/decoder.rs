//! Causes in a decoder, and in the numbers it and others answer to.

use throwproof_protocol::address::Numbering;

use super::healthy::{decoder, healthy, turnout};
use super::{Cause, Draw, Level, PROVE_ALL, PROVE_DECODER, Proof, Scope};
use crate::cautions;
use crate::diagnose::site::Site;
use crate::plan::{Drive, OutputKind, PacketFormat};
use crate::track::as_built::{AsBuilt, Coil, Decoder, OutputState};

/// So far off, the decoders still count from different numbers, or the block is rounded.
const NEAR: u16 = 4;

/// So far off, one decoder was taken for the next or the one after that.
const A_DECODER_OR_TWO: u32 = 16;

/// A healthy layout but for something about the decoder of the failing turnout.
fn but(
    site: &Site,
    draw: &mut Draw,
    change: impl FnOnce(&mut Decoder, &mut Draw),
) -> Option<AsBuilt> {
    let mut built = healthy(site, draw);
    change(decoder(site, &mut built)?, draw);
    Some(built)
}

fn is_pulse(site: &Site) -> Option<()> {
    let decoder = &site.plan.decoders[site.decoder()?];
    (decoder.output_kind == OutputKind::Pulse).then_some(())
}

fn first_address(site: &Site) -> Option<u16> {
    let decoder = &site.plan.decoders[site.decoder()?];
    Some(decoder.first_address.get())
}

fn shifted(site: &Site, draw: &mut Draw, offset: i16) -> Option<AsBuilt> {
    but(site, draw, |it, _| it.address_offset = Some(offset))
}

/// This decoder and now and then some of those like it, of one make or set by the same hand; but
/// not all that there are.
fn some_shifted(site: &Site, draw: &mut Draw, offset: i16) -> Option<AsBuilt> {
    let own = site.decoder()?;
    let mut built = shifted(site, draw, offset)?;
    let others: Vec<usize> = (0..site.plan.decoders.len())
        .filter(|index| *index != own)
        .collect();
    let sound = draw.one_of(&others);
    if draw.share() < 0.3 {
        for index in others {
            if Some(index) != sound && draw.share() < 0.5 {
                let id = site.plan.decoders[index].id.clone();
                built.decoders.entry(id).or_default().address_offset = Some(offset);
            }
        }
    }
    Some(built)
}

fn all_shifted(site: &Site, draw: &mut Draw, offset: i16) -> AsBuilt {
    let mut built = healthy(site, draw);
    for decoder in &site.plan.decoders {
        let state = built.decoders.entry(decoder.id.clone()).or_default();
        state.address_offset = Some(offset);
    }
    built
}

/// An address that is neither the right one nor a little off; now and then where another decoder
/// is, or that of the next decoder or the one after that.
fn wrong_address(site: &Site, draw: &mut Draw) -> Option<AsBuilt> {
    let own = first_address(site)?;
    let others: Vec<u16> = site
        .plan
        .decoders
        .iter()
        .map(|it| it.first_address.get())
        .filter(|it| it.abs_diff(own) > NEAR)
        .collect();
    let how = draw.share();
    let address = if how < 0.25 {
        draw.one_of(&others)?
    } else if how < 0.5 {
        let off = draw.whole(u32::from(NEAR) + 1, A_DECODER_OR_TWO);
        let off = i16::try_from(off).ok()?;
        let off = if draw.share() < 0.5 { -off } else { off };
        own.checked_add_signed(off).filter(|it| *it > 0)?
    } else {
        let far = draw.whole(5, 2030);
        u16::try_from(far)
            .ok()
            .filter(|it| it.abs_diff(own) > NEAR)?
    };
    but(site, draw, |it, _| it.first_address = Some(address))
}

/// Another decoder has the address that this one should have to itself.
fn duplicate(site: &Site, draw: &mut Draw) -> Option<AsBuilt> {
    let own = site.decoder()?;
    let address = first_address(site)?;
    let output = site.plan.turnouts[site.target].output?;
    let fits = |index: &usize| {
        site.plan.turnouts[*index]
            .output
            .is_some_and(|it| it.decoder != own && it.number == output.number)
    };
    let fits: Vec<usize> = (0..site.plan.turnouts.len()).filter(fits).collect();
    let other = draw.partner(site, &fits)?;
    let other = site.plan.turnouts[other].output?.decoder;
    let id = site.plan.decoders[other].id.clone();
    let mut built = healthy(site, draw);
    built.decoders.entry(id).or_default().first_address = Some(address);
    Some(built)
}

/// Something about every turnout of the decoder.
fn each(
    site: &Site,
    draw: &mut Draw,
    change: impl Fn(&mut crate::track::as_built::Turnout),
) -> Option<AsBuilt> {
    let own = site.decoder()?;
    let mut built = healthy(site, draw);
    for one in &site.plan.turnouts {
        if one.output.is_some_and(|it| it.decoder == own) {
            change(turnout(one, &mut built));
        }
    }
    Some(built)
}

fn has_mate(site: &Site) -> Option<()> {
    site.mate.map(|_| ())
}

/// Decoders.
pub(super) const DECODERS: &[Cause] = &[
    Cause {
        name: "decoder-not-fed",
        level: Level::Decoder,
        weight: 3.0,
        says: "The decoder itself has no power.",
        mend: "Find where its feed is lost: plug, screw terminal, fuse.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_DECODER,
        state: |site, draw| but(site, draw, |it, _| it.feed = Some(false)),
    },
    Cause {
        name: "decoder-hears-nothing",
        level: Level::Bus,
        weight: 2.0,
        says: "The decoder has power, but no packet reaches it: the signal wires to it are off, \
               or its input is damaged.",
        mend: "Check the two signal wires to the decoder; put it beside the station with short \
               wires to see whether it hears at all.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_DECODER,
        state: |site, draw| but(site, draw, |it, _| it.packet_loss = Some(1.0)),
    },
    Cause {
        name: "decoder-hears-badly",
        level: Level::Bus,
        weight: 2.0,
        says: "Many packets do not reach this decoder: a bad joint on the way to it, or a long \
               and untwisted bus.",
        mend: "Remake the joints to it, twist the pair, and put a terminator of 100 ohms and \
               0.1 microfarad at the far end.",
        caution: Some(&cautions::UNPLUG),
        prove: Proof::new(
            Scope::Decoder,
            10,
            "Sweep every turnout of this decoder with 10 cycles.",
        ),
        state: |site, draw| {
            but(site, draw, |it, draw| {
                it.packet_loss = Some(draw.between(0.55, 0.995));
            })
        },
    },
    Cause {
        name: "decoder-busy",
        level: Level::Decoder,
        weight: 1.0,
        says: "The decoder hears nothing for a while after each throw: it recharges or writes \
               its memory.",
        mend: "Leave more time between throws of this decoder, or spread a route over several \
               decoders.",
        caution: None,
        prove: Proof::new(
            Scope::Decoder,
            2,
            "Throw two of its turnouts one after the other with the longer pause.",
        ),
        state: |site, draw| {
            but(site, draw, |it, draw| {
                it.busy_ms = Some(draw.whole(900, 8_000));
            })
        },
    },
    Cause {
        name: "extended-only",
        level: Level::Decoder,
        weight: 1.5,
        says: "The decoder is set to extended packets, as for signals, and ignores the basic \
               ones that throw turnouts.",
        mend: "Clear bit 5 of its CV 29, or reset it and give it its address again.",
        caution: None,
        prove: PROVE_DECODER,
        state: |site, draw| {
            let planned = site.plan.decoders[site.decoder()?].format;
            if planned == PacketFormat::Extended {
                return None;
            }
            but(site, draw, |it, _| it.format = Some(PacketFormat::Extended))
        },
    },
    Cause {
        name: "pulse-too-short",
        level: Level::Decoder,
        weight: 2.0,
        says: "The decoder switches its outputs off before the drive has finished.",
        mend: "Set a longer pulse in the decoder: 100 to 250 ms suit a twin-coil drive.",
        caution: Some(&cautions::COIL_ON),
        prove: PROVE_DECODER,
        state: |site, draw| {
            is_pulse(site)?;
            but(site, draw, |it, draw| it.pulse_ms = Some(draw.whole(1, 40)))
        },
    },
    Cause {
        name: "on-until-released",
        level: Level::Decoder,
        weight: 0.5,
        says: "The decoder leaves an output on until it is told to release it: where no release \
               comes, the coil burns.",
        mend: "Set a pulse time in the decoder.",
        caution: Some(&cautions::COIL_ON),
        prove: PROVE_DECODER,
        state: |site, draw| {
            is_pulse(site)?;
            but(site, draw, |it, _| it.pulse_ms = Some(0))
        },
    },
    Cause {
        name: "decoder-outputs-dead",
        level: Level::Decoder,
        weight: 1.0,
        says: "None of the decoder's outputs comes on, though it obeys: its output stage is \
               dead, or has lost its own feed.",
        mend: "Check the feed of the output stage and its fuse; else have the decoder repaired.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_DECODER,
        state: |site, draw| {
            has_mate(site)?;
            each(site, draw, |it| it.output = Some(OutputState::Dead))
        },
    },
    Cause {
        name: "decoder-common-off",
        level: Level::Decoder,
        weight: 2.0,
        says: "The common return of all drives of this decoder is off.",
        mend: "Find the break in the common: it is often where two boards join.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_DECODER,
        state: |site, draw| {
            has_mate(site)?;
            if site.plan.turnouts[site.target].drive == Drive::Servo {
                return None;
            }
            each(site, draw, |it| {
                it.straight_coil = Some(Coil::Open);
                it.diverging_coil = Some(Coil::Open);
            })
        },
    },
    Cause {
        name: "decoder-reversed",
        level: Level::Decoder,
        weight: 1.5,
        says: "Every turnout of this decoder moves against its command: the decoder labels its \
               halves the other way round.",
        mend: "Turn the sense of its outputs round in the decoder or in the plan.",
        caution: None,
        prove: PROVE_DECODER,
        state: |site, draw| {
            has_mate(site)?;
            let drive = site.plan.turnouts[site.target].drive;
            if !matches!(drive, Drive::TwinCoil | Drive::StallMotor) {
                return None;
            }
            each(site, draw, |it| it.leads_swapped = true)
        },
    },
];

/// Numbers: which address answers.
pub(super) const NUMBERS: &[Cause] = &[
    Cause {
        name: "never-taught",
        level: Level::Decoder,
        weight: 3.0,
        says: "The decoder was never given its address and answers at 1 to 4, where its maker \
               left it.",
        mend: "Give it its address.",
        caution: None,
        prove: PROVE_DECODER,
        state: |site, draw| {
            let numbering = site.plan.layout.numbering;
            let planned = site.plan.decoders[site.decoder()?].first_address;
            // Binary address 4 is where S-9.2.2 leaves it, and what keyed 1 is when linear.
            if planned.binary(numbering).get() == 4 || numbering == Numbering::FromZero {
                return None;
            }
            but(site, draw, |it, _| it.taught = Some(false))
        },
    },
    Cause {
        name: "wrong-address",
        level: Level::Decoder,
        weight: 2.5,
        says: "The decoder has another address than the planned one, more than a few numbers off.",
        mend: "Give it its address; note what it had, in case the plan is wrong.",
        caution: None,
        prove: PROVE_DECODER,
        state: wrong_address,
    },
    Cause {
        name: "decoder-four-up",
        level: Level::Decoder,
        weight: 1.5,
        says: "This decoder answers four numbers too high: it counts decoders from another \
               number than the station. Others that are like it may do so too.",
        mend: "Give it its address anew, or set its counting; not both.",
        caution: None,
        prove: PROVE_DECODER,
        state: |site, draw| some_shifted(site, draw, 4),
    },
    Cause {
        name: "decoder-four-down",
        level: Level::Decoder,
        weight: 1.5,
        says: "This decoder answers four numbers too low: it counts decoders from another \
               number than the station. Others that are like it may do so too.",
        mend: "Give it its address anew, or set its counting; not both.",
        caution: None,
        prove: PROVE_DECODER,
        state: |site, draw| some_shifted(site, draw, -4),
    },
    Cause {
        name: "block-off",
        level: Level::Decoder,
        weight: 1.5,
        says: "The decoder's block starts one, two or three numbers off: its first address was \
               rounded, or written down wrong.",
        mend: "Give it a first address at which its blocks start, and correct the plan.",
        caution: None,
        prove: PROVE_DECODER,
        state: |site, draw| {
            let offset = draw.one_of(&[-3, -2, -1, 1, 2, 3])?;
            shifted(site, draw, offset)
        },
    },
    Cause {
        name: "duplicate-address",
        level: Level::Plan,
        weight: 2.0,
        says: "Another decoder has the address of this one, so that its turnouts move as well.",
        mend: "Give the other decoder its own address.",
        caution: None,
        prove: Proof::new(Scope::Decoder, 1, "Sweep every turnout of both decoders."),
        state: duplicate,
    },
    Cause {
        name: "station-four-up",
        level: Level::Station,
        weight: 1.5,
        says: "Every decoder answers four numbers too high: station and plan count decoders from \
               different numbers.",
        mend: "Set the station's counting, or `numbering` in the plan; not both.",
        caution: None,
        prove: PROVE_ALL,
        state: |site, draw| Some(all_shifted(site, draw, 4)),
    },
    Cause {
        name: "station-four-down",
        level: Level::Station,
        weight: 1.5,
        says: "Every decoder answers four numbers too low: station and plan count decoders from \
               different numbers.",
        mend: "Set the station's counting, or `numbering` in the plan; not both.",
        caution: None,
        prove: PROVE_ALL,
        state: |site, draw| Some(all_shifted(site, draw, -4)),
    },
    Cause {
        name: "station-one-off",
        level: Level::Station,
        weight: 0.7,
        says: "Every decoder answers one number off: the station counts outputs from nought.",
        mend: "Set the station's counting, or correct the addresses in the plan.",
        caution: None,
        prove: PROVE_ALL,
        state: |site, draw| {
            let offset = draw.one_of(&[-1, 1])?;
            Some(all_shifted(site, draw, offset))
        },
    },
];
