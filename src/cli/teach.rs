//! `teach`.

use std::path::PathBuf;

use clap::ValueEnum;
use throwproof_protocol::address::KeyedAddress;
use throwproof_protocol::cv::AddressMethod;

use super::keep::{self, KeptPlan};
use super::layout::{self, Asked, Way};
use super::options::{Asking, Reach, RecordAt};
use super::{Exit, Failure, Format, runtime, sinks, stdout};
use crate::plan::{Id, Plan};
use crate::record::taught::last_of_each;
use crate::record::{Record, RunKind};
use crate::sweep::SweepError;
use crate::sweep::stop::stop_pair;
use crate::teach::{Ended, Lesson, Method, Options, Outcome, Teach};
use crate::toml_reader::nearest;
use crate::track::as_built::AsBuilt;
use crate::view::teach::Teach as TeachView;

const EXAMPLES: &str = "\
Examples:
  throwproof teach plan.toml D1
  throwproof teach plan.toml D3 --by programming-track --read --set pulse
  throwproof teach plan.toml D3 --from 101 --held-by output
  throwproof teach plan.toml D1 --link lcc:/dev/ttyUSB0 --witness phone

Ends with 0 if the decoder was taught and every output was seen to answer, with 1 if not, with 2
if it was not begun, with 4 if it was stopped; what to do then is said.";

/// Give a decoder its address, and prove that it has it
///
/// One step at a time: what is to be done by hand is asked for, what is sent is shown, and what
/// the outputs do is seen: each of them, the addresses around the block, the old address, and
/// again after the power was away.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    plan: PathBuf,

    /// The decoder, by its id in the plan
    decoder: String,

    #[command(flatten)]
    how: How,

    #[command(flatten)]
    allowed: Allowed,

    /// Who teaches, for the record
    #[arg(
        long,
        value_name = "NAME",
        env = "THROWPROOF_TESTER",
        hide_env_values = true
    )]
    #[arg(default_value = "", hide_default_value = true)]
    tester: String,

    #[command(flatten)]
    record: RecordAt,

    #[command(flatten)]
    reach: Reach,

    #[command(flatten)]
    asking: Asking,
}

/// How it is taught.
#[derive(Debug, clap::Args)]
struct How {
    /// How it takes its address: `first-command`, `main` (CVs written on the layout),
    /// `programming-track` (CVs written there) or `switches` [default: as its `learns` says; CVs
    /// on the layout]
    #[arg(long, value_enum, value_name = "WAY", hide_possible_values = true)]
    by: Option<By>,

    /// The same as `--by programming-track`
    #[arg(long, conflicts_with = "by")]
    programming_track: bool,

    /// The address that its first output gets [default: as the plan says]
    #[arg(long, value_name = "ADDRESS", value_parser = keyed)]
    to: Option<KeyedAddress>,

    /// The address that it has now [default: the one of a decoder that left its maker]
    #[arg(long, value_name = "ADDRESS", value_parser = keyed)]
    from: Option<KeyedAddress>,

    /// How its CVs hold the address that it has now, bit 6 of CV 29: `decoder` or `output`
    /// [default: as it will be]
    #[arg(long, value_enum, value_name = "WAY", hide_possible_values = true)]
    held_by: Option<HeldBy>,

    /// Write this too: `pulse`, the planned pulse into CV 3 to 6
    #[arg(long, value_enum, value_name = "WHAT", hide_possible_values = true)]
    set: Option<Set>,

    /// Show the other standard CVs too, where they can be read
    #[arg(long)]
    read: bool,

    /// Leave out the proof that it keeps its address without power
    #[arg(long)]
    no_power_cycle: bool,
}

/// What is done only when it is asked for.
#[derive(Debug, clap::Args)]
struct Allowed {
    /// Give it addresses that the plan gives to another too
    #[arg(long)]
    allow_overlap: bool,

    /// No other decoder has power: a write reaches nobody else
    #[arg(long)]
    alone: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum By {
    FirstCommand,
    Main,
    ProgrammingTrack,
    Switches,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum HeldBy {
    Decoder,
    Output,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Set {
    Pulse,
}

fn keyed(text: &str) -> Result<KeyedAddress, String> {
    let number: u16 = text.parse().map_err(|_| "it is no number".to_owned())?;
    KeyedAddress::new(number).map_err(|error| error.to_string())
}

impl Args {
    fn options(&self) -> Options {
        let How {
            by,
            programming_track,
            to,
            from,
            held_by,
            set,
            read,
            no_power_cycle,
        } = &self.how;
        let method = by.map(|by| match by {
            By::FirstCommand => Method::FirstCommand,
            By::Main => Method::Main,
            By::ProgrammingTrack => Method::ProgrammingTrack,
            By::Switches => Method::Switches,
        });
        Options {
            method: method.or(programming_track.then_some(Method::ProgrammingTrack)),
            to: *to,
            from: *from,
            held_by: held_by.map(|held_by| match held_by {
                HeldBy::Decoder => AddressMethod::Decoder,
                HeldBy::Output => AddressMethod::Output,
            }),
            set_pulse: *set == Some(Set::Pulse),
            read: *read,
            power_cycle: !no_power_cycle,
            allow_overlap: self.allowed.allow_overlap,
            allow_reserved: self.reach.allow_reserved,
            alone: self.allowed.alone,
        }
    }
}

/// The simulated track with the decoder as it is before the lesson: as it left its maker, or at the
/// address that it is said to have. What the as-built file says of that stands.
fn untaught(args: &Args, plan: &Plan) -> Result<AsBuilt, Failure> {
    let mut as_built = match &args.reach.as_built {
        Some(path) => AsBuilt::load(path, plan)?,
        None => AsBuilt::default(),
    };
    let decoder = as_built.decoders.entry(Id::new(&args.decoder)).or_default();
    if decoder.taught.is_none() && decoder.first_address.is_none() {
        decoder.first_address = args.how.from.map(KeyedAddress::get);
        decoder.taught = args.how.from.is_none().then_some(false);
    }
    Ok(as_built)
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    runtime::heed_file_size_limit()?;
    let kept = KeptPlan::read(Some(&args.plan), &args.reach)?;
    let plan = &kept.plan;
    let decoder = chosen(plan, &args.decoder)?;
    let lesson = Lesson::new(plan, decoder, &args.options())
        .map_err(|refusal| Failure::usage(refusal.what, refusal.mend))?;
    let is_rehearsal = args.reach.is_rehearsal();
    let record = keep::open(plan, &args.record, is_rehearsal)?;
    let is_kept = record.is_some();
    if let Some(record) = &record {
        remember(record, &args.decoder, is_rehearsal)?;
    }
    let (handle, stop) = stop_pair();
    let asked = Asked {
        asking: &args.asking,
        plan,
        only: &[],
        resumes: false,
        stop: handle.clone(),
    };
    let as_built = is_rehearsal.then(|| untaught(args, plan)).transpose()?;
    let way = Way::named(plan, as_built, &args.reach, asked)?;
    let about = kept.about(&args.reach, &args.tester, way.seed());
    let only = [Id::new(&args.decoder)];
    let keeps = kept.keeps(RunKind::Teach, &only, is_rehearsal);
    let record = record.map(|record| (record, keeps));
    let mut hub = sinks::hub(record, &way, format, || TeachView::new(stdout()))?;
    let ended = layout::drive(way, plan, (&handle, &stop), async |link, witness| {
        if lesson.method == Method::ProgrammingTrack {
            link.can_serve().map_err(cannot_serve)?;
        }
        let teach = Teach {
            plan,
            link,
            witness,
            hub: &mut hub,
            stop: stop.clone(),
            lesson: &lesson,
            about,
        };
        teach.run().await.map_err(cannot_carry)
    });
    sinks::tell_unkept(&hub);
    let ended = ended?;
    if is_kept {
        super::remark("what was sent and what was seen is in the record");
    }
    Ok(super::with_views(&hub, exit(ended)))
}

/// Says what the record knows of earlier lessons that matters now.
fn remember(record: &Record, decoder: &str, is_rehearsal: bool) -> Result<(), Failure> {
    let mut runs = Vec::new();
    for run in record.lessons()? {
        if run.is_rehearsal == is_rehearsal {
            runs.push(record.log(run.id)?);
        }
    }
    for lesson in last_of_each(&runs) {
        let is_broken = matches!(lesson.outcome, None | Some(Outcome::BrokenOff));
        if lesson.decoder.as_str() == decoder {
            // The simulated track begins anew each time.
            if lesson.seen.is_some() && !is_rehearsal {
                let address = lesson.first_address;
                super::remark(&format!(
                    "by the record {decoder} was seen to answer at {address}: if it has that \
                     address still, say --from {address}"
                ));
            }
        } else if is_broken && lesson.method == Method::FirstCommand {
            super::remark(&format!(
                "the lesson of {} was broken off: make sure that it is not in learn mode, or it \
                 takes the same address",
                lesson.decoder
            ));
        }
    }
    Ok(())
}

/// Nothing was sent: the link is not one for this way.
fn cannot_carry(error: SweepError) -> Failure {
    match error {
        SweepError::CannotCarry { source, .. } => Failure::usage(
            source.to_string(),
            "nothing was sent; take a link that carries any packet, or another way with --by",
        ),
        error @ (SweepError::Link(_)
        | SweepError::Witness(_)
        | SweepError::Sink(_)
        | SweepError::Command(_)) => error.into(),
    }
}

fn cannot_serve(reason: String) -> Failure {
    Failure::usage(
        reason,
        "use the programming track of a station that has one, and prove it here by throwing; or \
         take --by main, where the link carries any packet",
    )
}

/// The index of a decoder of the plan.
fn chosen(plan: &Plan, id: &str) -> Result<usize, Failure> {
    let mut ids = plan.decoders.iter().map(|decoder| decoder.id.as_str());
    if let Some(index) = ids.position(|known| known == id) {
        return Ok(index);
    }
    let ids: Vec<_> = plan
        .decoders
        .iter()
        .map(|decoder| decoder.id.as_str())
        .collect();
    let help = match nearest(id, ids.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if ids.is_empty() => "write a [decoder.ID] table for it".to_owned(),
        None => format!("it has {}", ids.join(", ")),
    };
    Err(Failure::usage(
        format!("the plan has no decoder `{id}`"),
        help,
    ))
}

fn exit(ended: Ended) -> Exit {
    match ended {
        Ended::With(Outcome::Proved) => Exit::Clean,
        Ended::With(Outcome::NotProved | Outcome::BrokenOff) => Exit::Found,
        Ended::Stopped(reason) => reason.into(),
    }
}
