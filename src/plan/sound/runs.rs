//! Wires from board to board.

use super::{Code, Located, Resolver, nearest};

impl Resolver<'_> {
    /// Finds where each wire begins. A board behind another one is fed from the same supply.
    pub(super) fn wire_up(&mut self) {
        for index in 0..self.fed.len() {
            let from = self.beginning(index);
            if let Some(fed) = self.fed.get_mut(index) {
                fed.from = from;
            }
        }
        self.break_loops();
        for index in 0..self.fed.len() {
            self.same_supply(index);
        }
    }

    /// The decoder at which that one's wire begins.
    fn beginning(&mut self, index: usize) -> Option<usize> {
        let decoder = self.draft.decoders.get(index)?;
        let Located { value: name, span } = decoder.wire.as_ref()?.from.as_ref()?;
        let found = self.decoders.get(name).copied();
        if found.is_none() {
            let known = self.draft.decoders.iter();
            let known = known.map(|decoder| decoder.id.value.as_str());
            let mend = nearest(name.as_str(), known).map_or_else(
                || format!("add [decoder.{name}], or leave `from` away: from the supply"),
                |near| format!("did you mean \"{near}\"?"),
            );
            let id = &decoder.id.value;
            let message = format!("the wire of {id} begins at {name}, which is not in the plan");
            self.find(Code::UnknownDecoder, id, *span, message, mend);
        }
        found
    }

    /// Follows each wire back; one that comes round to itself is told of once and begins nowhere.
    fn break_loops(&mut self) {
        for index in 0..self.fed.len() {
            let mut at = self.fed.get(index).and_then(|fed| fed.from);
            let mut steps = 0;
            while let Some(next) = at
                && next != index
                && steps <= self.fed.len()
            {
                at = self.fed.get(next).and_then(|fed| fed.from);
                steps += 1;
            }
            if at != Some(index) {
                continue;
            }
            if let Some(fed) = self.fed.get_mut(index) {
                fed.from = None;
            }
            let Some(decoder) = self.draft.decoders.get(index) else {
                continue;
            };
            let at = decoder.wire.as_ref().and_then(|run| run.from.as_ref());
            let at = at.map_or(decoder.span, |from| from.span);
            let id = &decoder.id.value;
            let message = format!("followed back, the wire of {id} comes round to {id} itself");
            let mend = "leave `from` away for the board that the supply's wire comes to first";
            self.find(Code::WireLoop, id, at, message, mend.to_owned());
        }
    }

    /// Gives a board the supply of the one that its wire begins at, or finds that it says another.
    fn same_supply(&mut self, index: usize) {
        let Some(first) = self.first_board(index) else {
            return;
        };
        let theirs = self.fed.get(first).and_then(|fed| fed.supply);
        let (Some(fed), Some(decoder)) = (self.fed.get_mut(index), self.draft.decoders.get(index))
        else {
            return;
        };
        let Some(named) = &decoder.supply else {
            fed.supply = theirs;
            return;
        };
        if fed.supply.is_none() || fed.supply == theirs {
            return;
        }
        let (id, other) = (&decoder.id.value, self.draft.decoders.get(first));
        let Some(other) = other.map(|other| &other.id.value) else {
            return;
        };
        let message = format!(
            "{id} is fed from {}, and its wire comes from {other}, which is not",
            named.value
        );
        let mend = "leave `from` away, or name the same supply for every board of the bus";
        self.find(
            Code::WireElsewhere,
            id,
            named.span,
            message,
            mend.to_owned(),
        );
    }

    /// The board that the supply's own wire comes to, of those before that one.
    fn first_board(&self, index: usize) -> Option<usize> {
        let mut first = self.fed.get(index)?.from?;
        while let Some(before) = self.fed.get(first).and_then(|fed| fed.from) {
            first = before;
        }
        Some(first)
    }
}
