//! Which addresses to throw next, and what the answers say: group testing with answers that may be
//! wrong.
//!
//! Every address has a weight: how likely it was before anything was asked, times how well it fits
//! the answers. A question throws half of what fits best. While no answer is wrong that halves the
//! addresses each time, as few questions as can be: log2 of their number. An address that an answer
//! speaks against is not struck out, only less likely; where such addresses have come to weigh
//! something, half of them are thrown along. So a wrong answer is found out by the answers after
//! it.

use throwproof_protocol::address::KeyedAddress;

/// How likely it is at the start that no address moves the thing. An estimate of ours.
const NOBODY: f64 = 0.01;

/// No address is taken to be likelier than another by more than this many times before anything is
/// asked. Beyond it an unlikely address that fits every answer would be passed over, to ask again
/// after a likely one that an answer has ruled out; and nobody knows that much beforehand.
const MOST_LIKELIER: f64 = 8.0;

/// From this probability on, an address that was seen to move the thing both ways is the one, and
/// a thing that nothing moved is moved by nobody.
pub const SURE: f64 = 0.99;

/// What is doubted is thrown along once it weighs this share of what fits best. Found by trying:
/// more throws fewer addresses and takes more questions when answers are wrong.
const HEEDED: f64 = 0.3;

/// Of what is doubted, only addresses are thrown along that weigh this share of the likeliest.
const FAINT: f64 = 0.02;

/// Where it was said at once that it moved, what was thrown too long before is taken to be this
/// many times less likely: who says so late has to be found out as a wrong answer is. A choice of
/// ours.
const LATE: f64 = 0.02;

/// Answers are never taken for surer than this, so that no address is struck out for good.
const LEAST_DOUBT: f64 = 0.001;

/// Something that may be so: that an address is the one, or that none is.
#[derive(Debug, Clone, Copy)]
struct Guess {
    /// How likely it is, beside the others.
    weight: f64,
    /// How many answers speak against it.
    against: u32,
}

impl Guess {
    fn take(&mut self, fits: bool, doubt: f64) {
        self.weight *= if fits { 1.0 - doubt } else { doubt };
        self.against += u32::from(!fits);
    }
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Throw these, in ascending order, and ask whether it moved.
    Ask(Vec<KeyedAddress>),
    /// Throw this one alone, one way and the other, and ask how it lies.
    Prove(KeyedAddress),
    /// Nothing more can be learned: none of the addresses moves it.
    Nobody,
}

/// A search for one address.
#[derive(Debug, Clone)]
pub struct Search {
    /// In ascending order.
    addresses: Vec<KeyedAddress>,
    guesses: Vec<Guess>,
    nobody: Guess,
    doubt: f64,
}

impl Search {
    /// A search among those addresses, each with how likely it is beside the others, as far as up to
    /// eight times. `doubt` is the
    /// share of answers that are taken to be wrong, from 0 to less than 0.5.
    pub fn new(among: impl IntoIterator<Item = (KeyedAddress, f64)>, doubt: f64) -> Self {
        let mut among: Vec<_> = among
            .into_iter()
            .filter(|(_, prior)| *prior > 0.0)
            .collect();
        among.sort_by_key(|(address, _)| *address);
        among.dedup_by_key(|(address, _)| *address);
        let likeliest = among.iter().fold(0.0, |most, (_, prior)| prior.max(most));
        for (_, prior) in &mut among {
            *prior = prior.max(likeliest / MOST_LIKELIER);
        }
        let all: f64 = among.iter().map(|(_, prior)| prior).sum();
        let guess = |weight| Guess { weight, against: 0 };
        let guesses = among.iter();
        Self {
            guesses: guesses
                .map(|(_, prior)| guess(prior / all * (1.0 - NOBODY)))
                .collect(),
            addresses: among.into_iter().map(|(address, _)| address).collect(),
            nobody: guess(NOBODY),
            doubt: doubt.clamp(LEAST_DOUBT, 0.49),
        }
    }

    /// The addresses, in ascending order.
    pub fn addresses(&self) -> &[KeyedAddress] {
        &self.addresses
    }

    /// Takes an answer in: whether the thing moved while those, in ascending order, were thrown.
    pub fn answered(&mut self, thrown: &[KeyedAddress], moved: bool) {
        self.take(thrown, moved, self.doubt);
    }

    /// Takes in that it moved, said while those were thrown: most likely it was one of the `near`,
    /// thrown shortly before. Both in ascending order.
    pub fn pressed(&mut self, near: &[KeyedAddress], thrown: &[KeyedAddress]) {
        for (address, guess) in self.addresses.iter().zip(&mut self.guesses) {
            if near.binary_search(address).is_err() && thrown.binary_search(address).is_ok() {
                guess.weight *= LATE;
            }
        }
        self.take(thrown, true, self.doubt);
    }

    /// The same where one was thrown back alone and how it lies was asked: who is wrong has two
    /// wrong answers to choose from, and only one of them says that it moved back.
    pub fn returned(&mut self, alone: KeyedAddress, moved: bool) {
        self.take(&[alone], moved, self.doubt / 2.0);
    }

    fn take(&mut self, thrown: &[KeyedAddress], moved: bool, doubt: f64) {
        for (address, guess) in self.addresses.iter().zip(&mut self.guesses) {
            guess.take(thrown.binary_search(address).is_ok() == moved, doubt);
        }
        self.nobody.take(!moved, doubt);
        let all = self.all();
        let guesses = self.guesses.iter_mut().chain([&mut self.nobody]);
        for guess in guesses {
            guess.weight /= all;
        }
    }

    fn all(&self) -> f64 {
        self.guesses.iter().map(|one| one.weight).sum::<f64>() + self.nobody.weight
    }

    /// The likeliest address, and how likely it is.
    pub fn leader(&self) -> Option<(KeyedAddress, f64)> {
        let guesses = self.addresses.iter().zip(&self.guesses);
        let (address, guess) =
            guesses.max_by(|(_, one), (_, other)| one.weight.total_cmp(&other.weight))?;
        Some((*address, guess.weight / self.all()))
    }

    /// Whether an address that was just seen to move it both ways, alone, is the one: no answer
    /// speaks against it, or it has become so likely that those that do are wrong.
    pub fn is_proved(&self, address: KeyedAddress) -> bool {
        let all = self.all();
        let at = self.addresses.binary_search(&address).ok();
        let guess = at.and_then(|at| self.guesses.get(at));
        guess.is_some_and(|guess| guess.against == 0 || guess.weight / all >= SURE)
    }

    /// How many answers speak against those addresses that fit best: none while all answers fit
    /// each other.
    pub fn contradictions(&self) -> u32 {
        let against = self.guesses.iter().map(|one| one.against);
        against.min().unwrap_or_default()
    }

    /// How many addresses fit all answers, or as many of them as any.
    pub fn left(&self) -> usize {
        self.best().len()
    }

    /// Which of the addresses fit best, by index, the likeliest first.
    fn best(&self) -> Vec<usize> {
        let least = self.guesses.iter().map(|one| one.against).min();
        let fits = |index: &usize| Some(self.guesses[*index].against) == least;
        self.ordered((0..self.guesses.len()).filter(fits))
    }

    /// The likeliest first, and those that are equally likely in ascending order: addresses that
    /// follow each other stay together.
    fn ordered(&self, indices: impl Iterator<Item = usize>) -> Vec<usize> {
        let mut indices: Vec<_> = indices.collect();
        indices.sort_by(|one, other| {
            let weight = |index: &usize| self.guesses[*index].weight;
            weight(other).total_cmp(&weight(one)).then(one.cmp(other))
        });
        indices
    }

    fn weight_of(&self, indices: &[usize]) -> f64 {
        indices
            .iter()
            .map(|index| self.guesses[*index].weight)
            .sum()
    }

    /// As many of the first of those as come nearest to half of their weight, at least one and not
    /// all.
    fn half<'i>(&self, indices: &'i [usize]) -> &'i [usize] {
        let half = self.weight_of(indices) / 2.0;
        let mut weight = 0.0;
        let mut count = 0;
        for index in indices {
            let next = self.guesses[*index].weight;
            // Rounding must not make halves of equals unequal.
            if weight + next / 2.0 > half * (1.0 + 1e-9) {
                break;
            }
            weight += next;
            count += 1;
        }
        let most = indices.len().saturating_sub(1).max(1);
        &indices[..count.clamp(1, most).min(indices.len())]
    }

    /// The most questions that it takes to prove one while no answer is wrong, both ways of a proof
    /// counted.
    pub fn at_most(&self) -> u32 {
        self.depth(&self.best())
    }

    fn depth(&self, best: &[usize]) -> u32 {
        if best.len() <= 1 {
            return 2;
        }
        let (thrown, others) = best.split_at(self.half(best).len());
        1 + self.depth(thrown).max(self.depth(others))
    }

    /// What to do next.
    pub fn next(&self) -> Next {
        let Some((leader, likely)) = self.leader() else {
            return Next::Nobody;
        };
        let nobody = self.nobody.weight / self.all();
        if nobody >= SURE {
            return Next::Nobody;
        }
        let best = self.best();
        // Whether it is any of them at all.
        let least = best.first().map(|index| self.guesses[*index].against);
        if nobody >= 0.5 && Some(self.nobody.against) < least {
            return Next::Ask(self.addresses.clone());
        }
        if likely >= 0.5
            || best.len() == 1 && best.first().map(|at| self.addresses[*at]) == Some(leader)
        {
            return Next::Prove(leader);
        }
        let mut group = if best.len() > 1 {
            self.half(&best).to_vec()
        } else {
            Vec::new()
        };
        group.extend(self.doubted(&best));
        group.sort_unstable();
        let group: Vec<_> = group
            .into_iter()
            .map(|index| self.addresses[index])
            .collect();
        match group[..] {
            // What is thrown alone may as well be the first half of its proof.
            [alone] => Next::Prove(alone),
            _ => Next::Ask(group),
        }
    }

    /// Half of those that an answer speaks against and that are likely still, if they weigh
    /// something.
    fn doubted(&self, best: &[usize]) -> Vec<usize> {
        let likeliest = best.iter().map(|index| self.guesses[*index].weight);
        let faint = likeliest.fold(0.0, f64::max) * FAINT;
        let least = best.first().map(|index| self.guesses[*index].against);
        let rest = (0..self.guesses.len()).filter(|index| {
            let guess = self.guesses[*index];
            guess.weight >= faint && Some(guess.against) != least
        });
        let rest = self.ordered(rest);
        if rest.is_empty()
            || self.weight_of(&rest) < HEEDED * self.weight_of(best) && best.len() > 1
        {
            return Vec::new();
        }
        self.half(&rest).to_vec()
    }
}

#[cfg(test)]
mod tests;
