use rand::{RngExt as _, SeedableRng as _};

use super::*;

/// What it took to find an address.
struct Found {
    address: Option<KeyedAddress>,
    questions: u32,
    throws: usize,
}

/// Somebody who answers, and is wrong at times.
struct Operator {
    truth: Option<KeyedAddress>,
    wrong: f64,
    rng: rand_chacha::ChaCha8Rng,
}

impl Operator {
    fn errs(&mut self) -> bool {
        self.wrong > 0.0 && self.rng.random_bool(self.wrong)
    }

    fn moved(&mut self, thrown: &[KeyedAddress]) -> bool {
        let moved = self.truth.is_some_and(|truth| thrown.contains(&truth));
        moved != self.errs()
    }

    /// Taps when it moves, at most so many milliseconds after it was thrown, while those are thrown
    /// one after another and back; gives what was thrown in the six seconds before and what was
    /// until then. `None` says in the end that it did not move.
    fn taps(&mut self, group: &[KeyedAddress], latest: usize) -> Option<[Vec<KeyedAddress>; 2]> {
        const EACH: usize = 250;
        let truth = self.truth;
        let at = truth.and_then(|truth| group.iter().position(|it| *it == truth));
        let when = match (at, self.errs()) {
            (Some(at), false) => at * EACH + self.rng.random_range(700..latest),
            (None, true) => self.rng.random_range(0..group.len() * 2 * EACH),
            (Some(_), true) | (None, false) => return None,
        };
        let thrown = |from: usize| {
            let is_in = |index: &usize| (from..=when).contains(&(index * EACH));
            let shots = (0..2 * group.len()).filter(is_in);
            let mut all: Vec<_> = shots.map(|it| group[it % group.len()]).collect();
            all.sort_unstable();
            all.dedup();
            all
        };
        Some([thrown(when.saturating_sub(6_000)), thrown(0)])
    }

    /// Whether the answer to how it lies says that it moved as sent. There are two wrong answers.
    fn lies(&mut self, thrown: KeyedAddress, is_first: bool) -> bool {
        let moved = self.truth == Some(thrown);
        let errs = self.errs();
        if moved || is_first {
            moved != errs
        } else {
            errs && self.rng.random_bool(0.5)
        }
    }
}

/// Searches until it is sure or `most` questions are asked; each way of a proof is a question.
fn hunt(search: Search, operator: &mut Operator, most: u32) -> Found {
    hunt_with(search, operator, most, None)
}

/// The same with somebody who taps at most so many milliseconds after what moves it was thrown.
fn hunt_with(
    mut search: Search,
    operator: &mut Operator,
    most: u32,
    latest: Option<usize>,
) -> Found {
    let mut found = Found {
        address: None,
        questions: 0,
        throws: 0,
    };
    while found.questions < most {
        match search.next() {
            Next::Nobody => return found,
            Next::Ask(group) => {
                found.questions += 1;
                if let Some(latest) = latest {
                    if let Some([near, thrown]) = operator.taps(&group, latest) {
                        found.throws += thrown.len();
                        search.pressed(&near, &thrown);
                    } else {
                        found.throws += 2 * group.len();
                        search.answered(&group, false);
                    }
                    continue;
                }
                found.throws += 2 * group.len();
                let moved = operator.moved(&group);
                search.answered(&group, moved);
            }
            Next::Prove(address) => {
                let mut both = true;
                for way in 0..2 {
                    found.questions += 1;
                    found.throws += 1;
                    let moved = operator.lies(address, way == 0);
                    if way == 0 {
                        search.answered(&[address], moved);
                    } else {
                        search.returned(address, moved);
                    }
                    both &= moved;
                    if !moved {
                        break;
                    }
                }
                if both && search.is_proved(address) {
                    found.address = Some(address);
                    return found;
                }
            }
        }
    }
    found.address = search.leader().map(|(address, _)| address);
    found
}

fn all(count: u16) -> Vec<(KeyedAddress, f64)> {
    (1..=count)
        .map(|number| (KeyedAddress::new(number).unwrap(), 1.0))
        .collect()
}

fn operator(truth: u16, wrong: f64, seed: u64) -> Operator {
    Operator {
        truth: KeyedAddress::new(truth).ok(),
        wrong,
        rng: rand_chacha::ChaCha8Rng::seed_from_u64(seed),
    }
}

/// How many hunts with wrong answers are gone through: `THROWPROOF_HUNTS`.
fn hunts() -> u64 {
    let hunts = std::env::var("THROWPROOF_HUNTS");
    hunts
        .ok()
        .and_then(|hunts| hunts.parse().ok())
        .unwrap_or(300)
}

#[test]
fn without_wrong_answers_any_of_2048_is_proved_in_thirteen_questions() {
    let search = Search::new(all(2048), 0.05);
    assert_eq!(search.at_most(), 13);
    let mut most = 0;
    for truth in (1..=2048).step_by(7).chain([2047, 2048]) {
        let found = hunt(search.clone(), &mut operator(truth, 0.0, 0), 60);
        assert_eq!(found.address.map(KeyedAddress::get), Some(truth));
        most = most.max(found.questions);
    }
    assert_eq!(most, 13);
}

/// The figures of `docs/hunt.md`, from fewer hunts: run it with `THROWPROOF_HUNTS=2000`.
#[test]
fn with_five_wrong_answers_in_a_hundred_the_right_one_is_found() {
    let (mut right, mut within, mut at_22) = (0, 0, 0);
    let (mut questions, mut throws) = (0, 0);
    let search = Search::new(all(2048), 0.05);
    for seed in 0..hunts() {
        let truth = u16::try_from(seed * 7919 % 2048 + 1).unwrap();
        let found = hunt(search.clone(), &mut operator(truth, 0.05, seed), 60);
        let is_right = found.address.map(KeyedAddress::get) == Some(truth);
        right += u64::from(is_right);
        within += u64::from(is_right && found.questions <= 22);
        let cut = hunt(search.clone(), &mut operator(truth, 0.05, seed), 22);
        at_22 += u64::from(cut.address.map(KeyedAddress::get) == Some(truth));
        questions += u64::from(found.questions);
        throws += found.throws as u64;
    }
    let hunts = hunts();
    println!(
        "seeds 0 to {hunts}: right {right}, proved within 22 {within}, likeliest right at 22 \
         {at_22}; {} questions and {} throws on average",
        questions / hunts,
        throws / hunts
    );
    assert!(right * 100 >= hunts * 99, "{right} of {hunts}");
    assert!(at_22 * 100 >= hunts * 88, "{at_22} of {hunts}");
    assert!(questions <= hunts * 18, "{questions} in {hunts}");
}

/// Who taps as soon as it moves tells which it was nearly; who taps late is found out.
#[test]
fn tapping_at_once_takes_fewer_questions() {
    let search = Search::new(all(2048), 0.05);
    for (wrong, latest, most) in [(0.0, 4_000, 9), (0.05, 4_000, 11), (0.0, 60_000, 17)] {
        let (mut right, mut at_22, mut questions, mut throws) = (0, 0, 0, 0);
        for seed in 0..hunts() {
            let truth = u16::try_from(seed * 7919 % 2048 + 1).unwrap();
            let mut tapping = operator(truth, wrong, seed);
            let found = hunt_with(search.clone(), &mut tapping, 60, Some(latest));
            let is_right = |found: &Found| found.address.map(KeyedAddress::get) == Some(truth);
            right += u64::from(is_right(&found));
            at_22 += u64::from(is_right(&found) && found.questions <= 22);
            questions += u64::from(found.questions);
            throws += found.throws as u64;
        }
        let hunts = hunts();
        println!(
            "{wrong} wrong, within {latest} ms: of {hunts} right {right}, proved within 22 {at_22}; \
             {questions} questions in all and {} throws on average",
            throws / hunts
        );
        assert!(right * 100 >= hunts * 99, "{right} of {hunts}");
        assert!(questions <= hunts * most, "{questions} in {hunts}");
    }
}

#[test]
fn a_thing_that_nothing_moves_is_given_up() {
    let mut nowhere = operator(1, 0.0, 0);
    nowhere.truth = None;
    let mut search = Search::new(all(64), 0.05);
    let mut questions = 0;
    while let Next::Ask(_) | Next::Prove(_) = search.next() {
        let group = match search.next() {
            Next::Ask(group) => group,
            Next::Prove(alone) => vec![alone],
            Next::Nobody => unreachable!(),
        };
        questions += 1;
        search.answered(&group, nowhere.moved(&group));
        assert!(questions < 30);
    }
}

#[test]
fn nothing_to_search_is_nobody() {
    assert_eq!(Search::new([], 0.05).next(), Next::Nobody);
    assert_eq!(
        Search::new(all(1), 0.05).next(),
        Next::Prove(KeyedAddress::MIN)
    );
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(48))]

    /// However likely each is said to be, it is found in no more questions than are told.
    #[test]
    fn no_hunt_is_longer_than_told(
        priors in proptest::collection::vec(0.1_f64..50.0, 1..200),
        at: proptest::sample::Index,
    ) {
        let truth = u16::try_from(at.index(priors.len()) + 1).unwrap();
        let search = Search::new(all(2048).into_iter().zip(priors).map(|((address, _), prior)| (address, prior)), 0.05);
        let at_most = search.at_most();
        let found = hunt(search, &mut operator(truth, 0.0, 0), 60);
        proptest::prop_assert_eq!(found.address.map(KeyedAddress::get), Some(truth));
        proptest::prop_assert!(found.questions <= at_most, "{} of {}", found.questions, at_most);
    }

    /// Whatever is answered, only addresses that may be thrown are, each once, and it goes on.
    #[test]
    fn any_answers_are_borne(
        count in 1_u16..150,
        answers in proptest::collection::vec(proptest::bool::ANY, 0..60),
    ) {
        let mut search = Search::new(all(count), 0.05);
        for moved in answers {
            let group = match search.next() {
                Next::Ask(group) => group,
                Next::Prove(alone) => vec![alone],
                Next::Nobody => break,
            };
            proptest::prop_assert!(!group.is_empty());
            proptest::prop_assert!(group.windows(2).all(|pair| pair[0] < pair[1]));
            proptest::prop_assert!(group.iter().all(|one| one.get() <= count));
            search.answered(&group, moved);
            let (_, likely) = search.leader().unwrap();
            proptest::prop_assert!((0.0..=1.0 + 1e-9).contains(&likely));
        }
    }
}
