//! What a test can show, in the few words a person has for it.

use throwproof_protocol::address::Position;

use crate::event::Step;
use crate::plan::{Id, Plan};
use crate::verdict::Evidence;

/// How a turnout behaved over several throws.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Motion {
    /// It went where it was sent each time.
    AsSent,
    /// It went each time to the position it was not sent to.
    Opposite,
    /// It only ever went to straight.
    OnlyStraight,
    /// It only ever went to diverging.
    OnlyDiverging,
    /// It moved, and its blades did not close, at least once.
    Partly,
    /// It went where it was sent on some throws and not on others.
    Unsteady,
    /// It never moved.
    Still,
}

/// What moved beside the turnout that was thrown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Other {
    /// Nothing.
    Nothing,
    /// Another turnout of the same decoder.
    Neighbour,
    /// A turnout whose address is four away.
    FourAway,
    /// Any other turnout.
    Elsewhere,
}

/// How blades feel under a finger.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Feel {
    /// They move freely both ways and close.
    Free,
    /// Stiff both ways.
    Stiff,
    /// Stiff towards straight.
    StiffToStraight,
    /// Stiff towards diverging.
    StiffToDiverging,
    /// They snap over so hard that the drive would have to pull more than it can.
    Snaps,
    /// Free, but they stop before they close.
    StopsShort,
    /// Free, and the drive does not come along.
    Loose,
}

/// What is heard at the drive when it is thrown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Sound {
    /// Nothing.
    Silent,
    /// A hum or buzz without movement of the blades.
    Buzz,
    /// The sound of a throw.
    Throw,
}

/// What a lamp in place of the drive does while the output is thrown both ways.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Lamp {
    /// It does not answer: it stays dark, or as it was.
    Dark,
    /// It lights for each half in turn, and goes off.
    Both,
    /// It lights only for the half that commands straight.
    OnlyStraight,
    /// It lights only for the half that commands diverging.
    OnlyDiverging,
    /// The half that commands straight lights it whatever is commanded.
    StraightStays,
    /// The half that commands diverging lights it whatever is commanded.
    DivergingStays,
    /// It lights for each half, clearly too weakly.
    Dim,
}

/// What the lamp on a decoder does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Light {
    /// It is dark.
    Dark,
    /// It is lit, and does not answer the command.
    Steady,
    /// It answers the command.
    Answers,
}

/// A voltage against the one to expect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Volts {
    /// Below a fifth of it.
    None,
    /// Below 80 % of it.
    Low,
    /// About right.
    Right,
    /// More than a fifth above it.
    High,
}

/// A resistance against the one to expect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Ohms {
    /// No connection.
    Open,
    /// Below half of it.
    Low,
    /// About right.
    Right,
    /// More than a third above it.
    High,
}

/// What arrives at a decoder's input of what is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Arrival {
    /// No packet.
    None,
    /// Some packets.
    Some,
    /// Every packet.
    All,
}

/// What a decoder has in its memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stored {
    /// The address and the settings of the plan.
    AsPlanned,
    /// Another address.
    OtherAddress,
    /// The address of the plan, and another pulse or kind of packets.
    OtherSettings,
}

/// A current against the one to expect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Amps {
    /// Below a twentieth of it.
    None,
    /// Below 70 % of it.
    Low,
    /// About right.
    Right,
    /// More than a third above it.
    High,
}

/// What a test showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Answer {
    /// How a turnout behaved over several throws, and what moved beside it.
    Motion(Motion, Other),
    /// Whether the failing turnout moved at all.
    Moved(bool),
    /// How its blades feel.
    Feel(Feel),
    /// What was heard when it was sent to diverging, and to straight.
    Sound(Sound, Sound),
    /// What a lamp in place of the drive did.
    Lamp(Lamp),
    /// What the lamp on the decoder did.
    Light(Light),
    /// A voltage at rest, its lowest value during a throw, and the lowest right after one.
    Volts(Volts, Volts, Volts),
    /// The voltage of the supply itself.
    Supply(Volts),
    /// The resistance from the output, or from the drive, to the common through each lead: the half that commands
    /// straight, the half that commands diverging.
    Ohms(Ohms, Ohms),
    /// What arrived at the decoder's input.
    Arrival(Arrival),
    /// What the decoder has in its memory.
    Stored(Stored),
    /// The largest current when it was sent to straight, and to diverging.
    Amps(Amps, Amps),
    /// Whether a coil was hot to the touch with nothing commanded.
    Hot(bool),
}

/// Where one throw was seen to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// It moved and lies there.
    At(Position),
    /// It moved and lies nowhere.
    Between,
    /// It did not move.
    Nothing,
}

/// One throw: where it was sent, and where it ended.
pub type Throw = (Position, End);

impl Feel {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Free,
        Self::Stiff,
        Self::StiffToStraight,
        Self::StiffToDiverging,
        Self::Snaps,
        Self::StopsShort,
        Self::Loose,
    ];
}

impl Lamp {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Dark,
        Self::Both,
        Self::OnlyStraight,
        Self::OnlyDiverging,
        Self::StraightStays,
        Self::DivergingStays,
        Self::Dim,
    ];
}

impl Motion {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::AsSent,
        Self::Opposite,
        Self::OnlyStraight,
        Self::OnlyDiverging,
        Self::Partly,
        Self::Unsteady,
        Self::Still,
    ];

    /// Whether that is not what it should do.
    pub fn is_wrong(self) -> bool {
        self != Self::AsSent
    }

    /// Of throws that each should have moved it, and of throws after it was laid by hand on the
    /// other side, which are only made when the former moved nothing.
    pub fn of(visits: &[Throw], by_hand: &[Throw]) -> Self {
        let moved = |throws: &[Throw]| throws.iter().any(|(_, end)| *end != End::Nothing);
        let throws = if moved(visits) { visits } else { by_hand };
        let is = |wanted: fn(Position) -> Position| {
            let meets = |(sent, end): &Throw| *end == End::At(wanted(*sent));
            !throws.is_empty() && throws.iter().all(meets)
        };
        let only = |position| {
            let mut ends = throws.iter().filter(|(_, end)| *end != End::Nothing);
            ends.all(|(_, end)| *end == End::At(position))
        };
        if !moved(throws) {
            Self::Still
        } else if is(|sent| sent) {
            // What moves only when helped by hand does not go where it is sent each time.
            if moved(visits) {
                Self::AsSent
            } else {
                Self::Unsteady
            }
        } else if is(Position::opposite) {
            Self::Opposite
        } else if throws.iter().any(|(_, end)| *end == End::Between) {
            Self::Partly
        } else if only(Position::Straight) {
            Self::OnlyStraight
        } else if only(Position::Diverging) {
            Self::OnlyDiverging
        } else {
            Self::Unsteady
        }
    }
}

impl Other {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::Nothing,
        Self::Neighbour,
        Self::FourAway,
        Self::Elsewhere,
    ];

    /// What `moved` is to the turnout of index `thrown`; the most telling of them.
    pub fn of(plan: &Plan, thrown: usize, moved: impl IntoIterator<Item = usize>) -> Self {
        let own = &plan.turnouts[thrown];
        let related = moved.into_iter().map(|index| &plan.turnouts[index]);
        let meant = related.filter(|one| one.address != own.address);
        let each = meant.map(|one| {
            let decoders = [own, one].map(|turnout| turnout.output.map(|output| output.decoder));
            if one.address.get().abs_diff(own.address.get()) == 4 {
                Self::FourAway
            } else if decoders[0].is_some() && decoders[0] == decoders[1] {
                Self::Neighbour
            } else {
                Self::Elsewhere
            }
        });
        each.max_by_key(|other| match other {
            Self::Nothing => 0,
            Self::Elsewhere => 1,
            Self::Neighbour => 2,
            Self::FourAway => 3,
        })
        .unwrap_or(Self::Nothing)
    }
}

/// What the observations of a run say about one turnout; `None` when it was not thrown so that
/// it had to move.
pub fn of_run(plan: &Plan, thrown: usize, evidence: &[Evidence]) -> Option<(Motion, Other)> {
    let made = |steps: &[Step]| -> Vec<Throw> {
        let those = evidence.iter().filter(|one| steps.contains(&one.step));
        those
            .filter_map(|one| {
                let sent = one.commanded.as_str().parse().ok()?;
                let end = match one.position() {
                    Some(position) => End::At(position),
                    None if one.moved() => End::Between,
                    None => End::Nothing,
                };
                Some((sent, end))
            })
            .collect()
    };
    let visits = made(&[Step::Visit]);
    if visits.is_empty() {
        return None;
    }
    let others = evidence.iter().flat_map(|one| &one.seen.others);
    let index = |id: &Id| plan.turnouts.iter().position(|one| one.id == *id);
    let other = Other::of(plan, thrown, others.filter_map(index));
    Some((Motion::of(&visits, &made(&[Step::AfterHand])), other))
}

#[cfg(test)]
mod tests {
    use super::*;
    use Position::{Diverging, Straight};

    #[test]
    fn throws_make_a_motion() {
        let at = End::At;
        let cases: [(&[Throw], &[Throw], Motion); 8] = [
            (
                &[(Diverging, at(Diverging)), (Straight, at(Straight))],
                &[],
                Motion::AsSent,
            ),
            (
                &[(Diverging, at(Straight)), (Straight, at(Diverging))],
                &[],
                Motion::Opposite,
            ),
            (
                &[(Diverging, End::Nothing), (Straight, End::Nothing)],
                &[(Straight, at(Straight)), (Diverging, End::Nothing)],
                Motion::OnlyStraight,
            ),
            (
                &[(Diverging, at(Diverging)), (Straight, End::Nothing)],
                &[],
                Motion::OnlyDiverging,
            ),
            (
                &[(Diverging, End::Between), (Straight, at(Straight))],
                &[],
                Motion::Partly,
            ),
            (
                &[
                    (Diverging, at(Diverging)),
                    (Straight, at(Straight)),
                    (Diverging, End::Nothing),
                ],
                &[],
                Motion::Unsteady,
            ),
            (
                &[(Diverging, End::Nothing)],
                &[(Straight, End::Nothing)],
                Motion::Still,
            ),
            (
                &[(Diverging, End::Nothing), (Straight, End::Nothing)],
                &[(Straight, at(Straight)), (Diverging, at(Diverging))],
                Motion::Unsteady,
            ),
        ];
        for (visits, by_hand, motion) in cases {
            assert_eq!(Motion::of(visits, by_hand), motion, "{visits:?}");
        }
    }
}
