//! What is said to whoever is at the layout while a test is made.

use std::time::Duration;

use throwproof_protocol::address::{KeyedAddress, Position};

use crate::diagnose::cause::Cause;
use crate::diagnose::site::Site;
use crate::diagnose::steps::{self, Act, BOTH_HALVES, Manner, Steps};
use crate::diagnose::test::Test;
use crate::plan::{Drive, Id};
use crate::witness::diagnosis::Part;

/// A wait that is longer than this is told beforehand.
const TOLD: Duration = Duration::from_secs(10);

/// What is said in few words has no more characters, where it can be cut at a comma: two lines of
/// a button on a phone.
const BRIEF: usize = 60;

/// A part of a question.
pub fn part(ask: &str, choices: &[&str]) -> Part {
    Part {
        ask: ask.to_owned(),
        choices: choices.iter().map(|&it| it.to_owned()).collect(),
    }
}

/// A cause in few words: how it begins to be said.
pub fn briefly(cause: &Cause) -> &'static str {
    let first = cause.says.split(':').next().unwrap_or_default();
    let first = first.trim_end_matches('.');
    if first.chars().count() <= BRIEF {
        return first;
    }
    first.rsplit_once(", ").map_or(first, |(most, _)| most)
}

/// The parts of a test's question.
pub fn parts(test: Test) -> Vec<Part> {
    let all = test.parts().iter();
    all.map(|it| part(it.ask, it.choices)).collect()
}

/// What is done for a test: what the program throws, if it throws `steps`, and what is to be done
/// by hand.
pub fn action(site: &Site, test: Test, steps: Option<&Steps>) -> String {
    let by_hand = || test.told_to_do(site);
    let Some(steps) = steps else {
        return by_hand();
    };
    let takes = takes(site, steps);
    let takes = if takes > TOLD {
        format!(" That takes {} s.", takes.as_secs())
    } else {
        String::new()
    };
    match steps {
        Steps::Nothing => by_hand(),
        Steps::Turnout { .. } | Steps::Addresses(_) if !test.cost().hands => {
            format!(
                "{} {}{takes}",
                thrown(site, steps, "is"),
                watch(site, steps)
            )
        }
        Steps::Turnout { .. } | Steps::Addresses(_) | Steps::Plain { .. } => format!(
            "{} The program throws it: {}{takes}",
            by_hand(),
            thrown(site, steps, "is")
        ),
    }
}

/// What is asked first where whoever is asked throws it themselves.
pub fn what_was_seen(id: &Id) -> String {
    format!("Throw {id} both ways, or say what a sweep showed of it.")
}

/// The same when it was thrown.
pub fn was_thrown(site: &Site, test: Test, steps: &Steps) -> String {
    if *steps == Steps::Nothing {
        return test.told_to_do(site);
    }
    thrown(site, steps, "was")
}

/// What is thrown, as sentences.
fn thrown(site: &Site, steps: &Steps, is: &str) -> String {
    let own = &site.plan.turnouts[site.target].id;
    match steps {
        Steps::Nothing => String::new(),
        Steps::Turnout {
            turnout,
            manner,
            visits,
        } => {
            let id = &site.plan.turnouts[*turnout].id;
            let to = Steps::visits(site, *turnout, *visits);
            let mut to = to.into_iter();
            let first = to.next().map_or("", Position::as_str);
            let rest: Vec<_> = to.map(Position::as_str).collect();
            let and_then = match rest.as_slice() {
                [one, other, ..] if rest.len() > 4 => {
                    format!("{one} and {other}, {} times", rest.len() / 2)
                }
                rest => rest.join(", "),
            };
            let how = match manner {
                Manner::Usual | Manner::AtDrive => String::new(),
                Manner::Rested => format!(
                    " Nothing is thrown for {} s before each.",
                    steps::LONG_REST.as_secs()
                ),
                Manner::Rapid => " Each comes right after the one before.".to_owned(),
                Manner::Burst => " Each command is repeated for half a second.".to_owned(),
                Manner::Unreleased => {
                    " Each time its output is left on for a second, and no longer.".to_owned()
                }
                Manner::Extended => " Extended packets command it.".to_owned(),
                Manner::With(with) => format!(
                    " {} is thrown with it each time.",
                    site.plan.turnouts[*with].id
                ),
            };
            format!("{id} {is} brought to {first}, which does not count, then to {and_then}.{how}")
        }
        Steps::Addresses(addresses) => {
            let are = if is == "is" { "are" } else { "were" };
            let several = addresses.len() > 1;
            format!(
                "{} {} {} thrown both ways.",
                if several { "The addresses" } else { "Address" },
                listed(addresses),
                if several { are } else { is }
            )
        }
        Steps::Plain { to, .. } => {
            let to: Vec<_> = to.iter().map(|it| it.as_str()).collect();
            format!("{own} {is} sent to {}.", to.join(", "))
        }
    }
}

/// What is to be looked at.
fn watch(site: &Site, steps: &Steps) -> String {
    let own = &site.plan.turnouts[site.target].id;
    match steps {
        Steps::Turnout { turnout, .. } => format!(
            "Watch {}, and whether anything else moves.",
            site.plan.turnouts[*turnout].id
        ),
        Steps::Addresses(_) | Steps::Nothing | Steps::Plain { .. } => {
            format!("Watch {own}: does it move?")
        }
    }
}

/// How long the throws take, at the least.
fn takes(site: &Site, steps: &Steps) -> Duration {
    let of = |acts: Option<Vec<Act>>| -> Duration {
        let mut whole = Duration::ZERO;
        let mut since = Duration::ZERO;
        for act in acts.into_iter().flatten() {
            match act {
                Act::Wait(time) => {
                    whole += time;
                    since += time;
                }
                Act::Begin => since = Duration::ZERO,
                Act::Until(time) => whole += time.saturating_sub(since),
                Act::Send(_) | Act::Look => {}
            }
        }
        whole
    };
    let throw = |turnout, to, manner| of(steps::throw(&site.plan, turnout, to, manner));
    match steps {
        Steps::Nothing => Duration::ZERO,
        Steps::Turnout {
            turnout,
            manner,
            visits,
        } => {
            let to = Steps::visits(site, *turnout, *visits).into_iter();
            to.map(|to| throw(*turnout, to, *manner)).sum()
        }
        Steps::Addresses(addresses) => {
            let all = addresses
                .iter()
                .flat_map(|one| BOTH_HALVES.map(|half| of(steps::throw_address(site, *one, half))));
            all.sum()
        }
        Steps::Plain {
            to,
            rest,
            rest_after,
        } => {
            let throws = to.iter().map(|to| throw(site.target, *to, Manner::Usual));
            *rest + throws.sum::<Duration>() + *rest_after
        }
    }
}

/// Addresses, for people.
fn listed(addresses: &[KeyedAddress]) -> String {
    let numbers: Vec<_> = addresses.iter().map(|it| it.get().to_string()).collect();
    match numbers.as_slice() {
        [rest @ .., last] if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        numbers => numbers.concat(),
    }
}

/// What is asked for before addresses are thrown that the plan does not have.
pub fn beyond(addresses: &[KeyedAddress]) -> String {
    format!(
        "The next test throws {}, which the plan does not have. Whatever on the layout has one of \
         them moves: turnouts, signals, gates. Look whether any of it could harm.",
        listed(addresses)
    )
}

/// Blades are to be laid by hand, to be thrown across.
pub fn lay(site: &Site, turnout: usize, from: Position) -> String {
    let id = &site.plan.turnouts[turnout].id;
    format!(
        "It may lie where its good half sends it. Lay the blades of {id} to {from} by hand; it is \
         then sent to {}.",
        from.opposite()
    )
}

/// The same when it was thrown across.
pub fn was_thrown_across(site: &Site, turnout: usize) -> String {
    let id = &site.plan.turnouts[turnout].id;
    format!(
        "{id} was laid by hand to diverging and sent to straight, then laid to straight and sent \
         to diverging. Take these two throws and those before together."
    )
}

/// What is to be put back after a test.
pub fn put_back(site: &Site, test: Test) -> Option<String> {
    let own = &site.plan.turnouts[site.target];
    let id = &own.id;
    let held = matches!(own.drive, Drive::StallMotor | Drive::Servo);
    Some(match test {
        Test::LampOnOutput => {
            format!("Take the lamp off the output of {id}, and connect what was there again.")
        }
        Test::SwapLeads => format!("Put the two leads of {id} back as they were."),
        Test::Unhook => format!("Hook the drive of {id} to its blades again."),
        Test::ByHand if held => format!("Hook the drive of {id} to its blades again."),
        Test::Ohms | Test::OhmsAtDrive => {
            format!("Connect the leads of {id} again, each where it was.")
        }
        Test::VoltsAtSupply => format!("Connect the wires of the supply of {id} again."),
        Test::Amps => format!("Take the meter out, and connect the lead of {id} again."),
        Test::Capture => format!("Take what you listened with off the decoder of {id}."),
        Test::ReadCvs | Test::GoodFeed => {
            format!("Connect the decoder of {id} to the layout again, as it was.")
        }
        Test::Again
        | Test::Cycle
        | Test::Rested
        | Test::Rapid
        | Test::Burst
        | Test::Unreleased
        | Test::Together
        | Test::Mate
        | Test::SupplyMate
        | Test::Elsewhere
        | Test::FourUp
        | Test::FourDown
        | Test::Nearby
        | Test::Default
        | Test::Extended
        | Test::ByHand
        | Test::Listen
        | Test::Touch
        | Test::DecoderLight
        | Test::Reteach
        | Test::Volts => return None,
    })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::diagnose::cause;

    #[test]
    fn no_two_causes_are_the_same_in_few_words() {
        let all: Vec<_> = cause::all().map(briefly).collect();
        let each: BTreeSet<_> = all.iter().collect();
        assert_eq!(each.len(), all.len());
        assert!(all.iter().all(|it| !it.is_empty()));
    }

    #[test]
    fn few_words_are_a_whole_clause() {
        for (name, words) in [
            (
                "blades-stiff",
                "The blades are too stiff for the drive, both ways",
            ),
            ("supply-off", "The supply gives no voltage"),
            (
                "supply-trips",
                "The supply, or its breaker, trips when a turnout is thrown",
            ),
            ("leads-swapped", "Its two output leads are exchanged"),
        ] {
            assert_eq!(briefly(cause::by_name(name).unwrap()), words);
        }
    }
}
