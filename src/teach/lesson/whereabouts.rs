//! How a decoder may be when teaching it is broken off, and what to do then.

use throwproof_protocol::address::KeyedAddress;
use throwproof_protocol::cv::AddressMethod;

use crate::plan::{Decoder, Plan};

/// How the decoder may be.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each may be so or not, whatever the others are"
)]
pub struct State {
    /// The addresses that its first output may have, and how it may hold them where CVs do; the
    /// likeliest last.
    pub at: Vec<(KeyedAddress, Option<AddressMethod>)>,
    /// Whether its learn lead may be on.
    pub is_learning: bool,
    /// Whether it may be without power.
    pub is_off: bool,
    /// Whether it may be on the programming track.
    pub is_on_programming_track: bool,
    /// Whether outputs may have addresses of old and of new.
    pub is_mixed: bool,
}

impl State {
    /// At that address, and all well.
    pub fn at(address: KeyedAddress, by: Option<AddressMethod>) -> Self {
        Self {
            at: vec![(address, by)],
            ..Self::default()
        }
    }

    /// It has that address now.
    pub fn moves_to(&mut self, address: KeyedAddress, by: Option<AddressMethod>) {
        self.at = vec![(address, by)];
    }

    /// The addresses that its first output may have, each once.
    pub fn addresses(&self) -> Vec<KeyedAddress> {
        let mut addresses = Vec::new();
        for (address, _) in &self.at {
            if !addresses.contains(address) {
                addresses.push(*address);
            }
        }
        addresses
    }

    /// It may be one way or the other.
    #[must_use]
    pub fn or(&self, other: &Self) -> Self {
        let mut at = self.at.clone();
        for place in &other.at {
            if !at.contains(place) {
                at.push(*place);
            }
        }
        Self {
            at,
            is_learning: self.is_learning || other.is_learning,
            is_off: self.is_off || other.is_off,
            is_on_programming_track: self.is_on_programming_track || other.is_on_programming_track,
            is_mixed: self.is_mixed || other.is_mixed,
        }
    }
}

/// What to do with a decoder that may be so, in sentences.
pub fn whereabouts(plan: &Plan, board: &Decoder, state: &State) -> Vec<String> {
    let id = &board.id;
    let mut lines = Vec::new();
    if state.is_learning {
        lines.push(format!(
            "Take {id} out of learn mode first ({}): until then any accessory command gives it \
             another address.",
            board.teaching.by
        ));
    }
    if state.is_on_programming_track {
        lines.push(format!("Connect {id} to the layout again."));
    }
    if state.is_off {
        lines.push(format!("Give {id} power again."));
    }
    if state.is_mixed {
        lines.push("Some of its outputs may have their new address and some their old one.".into());
    }
    let names: Vec<_> = state.addresses().iter().map(ToString::to_string).collect();
    match names.as_slice() {
        [] => {}
        [one] => lines.push(format!("Its first output is at address {one}.")),
        [rest @ .., last] => lines.push(format!(
            "Its first output is at address {} or {last}.",
            rest.join(", ")
        )),
    }
    let source = plan.source.display();
    for (at, (address, by)) in state.at.iter().enumerate() {
        let held = match by {
            Some(AddressMethod::Decoder) => " --held-by decoder",
            Some(AddressMethod::Output) => " --held-by output",
            None => "",
        };
        let lead = if at == 0 {
            "Go on with"
        } else {
            "If it does not answer then, with"
        };
        lines.push(format!(
            "{lead}: throwproof teach {source} {id} --from {address}{held}"
        ));
    }
    lines
}
