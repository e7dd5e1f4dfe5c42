//! A plan as its currents flow, for the checks of power, wires, pulses and outputs.

use std::collections::{BTreeMap, HashMap};

use crate::electric::power::{Corner, Power, Pull};
use crate::electric::throw::Throw;
use crate::plan::draft::{Draft, DraftTurnout};
use crate::plan::finding::{Code, Figure, Finding};
use crate::plan::sound::{self, Resolution};
use crate::plan::{Id, Plan};
use crate::textfile::Span;

/// What the checks of one theme look at.
pub(super) struct Site<'a> {
    pub(super) draft: &'a Draft,
    pub(super) power: Power<'a>,
    /// For each pull: a throw of a typical drive, and of the weakest and hungriest.
    pub(super) throws: Vec<Throws>,
    /// Where the draft has each turnout.
    turnouts: HashMap<&'a Id, &'a DraftTurnout>,
}

/// One throw with parts as they differ.
#[derive(Debug, Clone, Copy)]
pub(super) struct Throws {
    pub(super) typical: Throw,
    pub(super) weak: Throw,
    pub(super) strong: Throw,
}

/// Something found of one pull. Those of one kind on one decoder are told together.
pub(super) struct Hit {
    pub(super) code: Code,
    pub(super) pull: usize,
    /// How bad it is: the worst is told, the others are named.
    pub(super) weight: f64,
    pub(super) message: String,
    pub(super) mend: String,
    pub(super) figures: Vec<Figure>,
}

/// Finds what is wrong or risky in power, wires, pulses and outputs. Only of decoders that are
/// all known by their address: before that nothing can be told apart.
pub(super) fn find(draft: &Draft, resolution: &Resolution, findings: &mut Vec<Finding>) {
    if resolution.decoders.iter().any(|fed| fed.first.is_none()) {
        return;
    }
    let plan = sound::build(draft.clone(), resolution);
    let site = Site::new(draft, &plan);
    let mut hits = Vec::new();
    for index in 0..site.power.pulls.len() {
        super::outputs::find(&site, index, &mut hits);
        super::pulses::find(&site, index, &mut hits);
        super::wires::find(&site, index, &mut hits);
    }
    findings.extend(site.told(hits));
    super::pulses::left_on(&site, findings);
    super::outputs::boards(&site, findings);
    super::power::find(&site, findings);
    super::wires::shorts(&site, findings);
}

impl<'a> Site<'a> {
    fn new(draft: &'a Draft, plan: &'a Plan) -> Self {
        let power = Power::of(plan);
        let throws = throws(&power);
        let turnouts = draft.turnouts.iter();
        Self {
            draft,
            power,
            throws,
            turnouts: turnouts
                .map(|turnout| (&turnout.id.value, turnout))
                .collect(),
        }
    }

    /// A pull, and its throws.
    pub(super) fn pull(&self, index: usize) -> Option<(&Pull, Throws)> {
        Some((self.power.pulls.get(index)?, *self.throws.get(index)?))
    }

    /// The id of a pull's turnout.
    pub(super) fn id(&self, pull: &Pull) -> &Id {
        &self.power.plan.turnouts[pull.turnout].id
    }

    /// The id of a pull's decoder.
    pub(super) fn decoder(&self, pull: &Pull) -> Option<&Id> {
        let decoder = self.power.plan.decoders.get(pull.output?.decoder)?;
        Some(&decoder.id)
    }

    /// What a pull is fed from, in words.
    pub(super) fn fed_from(&self, pull: &Pull) -> String {
        match self.power.plan.supplies.get(pull.supply) {
            Some(supply) => supply.id.to_string(),
            None => "a supply that the plan does not name".to_owned(),
        }
    }

    /// Where the draft says the wiring of a pull's turnout.
    fn at(&self, pull: &Pull) -> Span {
        let turnout = self.turnouts.get(self.id(pull));
        turnout.map_or(Span { start: 0, end: 0 }, |turnout| turnout.wiring.span)
    }

    /// Where the draft has a decoder.
    pub(super) fn decoder_at(&self, decoder: usize) -> Span {
        let decoder = self.draft.decoders.get(decoder);
        decoder.map_or(Span { start: 0, end: 0 }, |decoder| decoder.id.span)
    }

    /// Where the draft has a supply.
    pub(super) fn supply_at(&self, supply: usize) -> Span {
        let line = self.power.plan.supplies.get(supply).map_or(1, |it| it.line);
        let text = self.draft.file.text();
        let lines = text.split_inclusive('\n').take(line as usize - 1);
        let start = lines.map(str::len).sum();
        let end = text.get(start..).and_then(|rest| rest.find('\n'));
        Span {
            start,
            end: end.map_or(text.len(), |length| start + length),
        }
    }

    /// A finding of that place.
    pub(super) fn finding(
        &self,
        code: Code,
        subjects: Vec<Id>,
        at: Span,
        (message, mend): (String, String),
        figures: Vec<Figure>,
    ) -> Finding {
        Finding {
            code,
            subjects,
            at,
            line: self.draft.file.line(at.start),
            others: Vec::new(),
            message,
            mend,
            figures,
        }
    }

    /// Tells of hits: the worst of each kind on each decoder, and which others share it.
    fn told(&self, hits: Vec<Hit>) -> Vec<Finding> {
        let mut groups: BTreeMap<(Code, Option<usize>), Vec<Hit>> = BTreeMap::new();
        for hit in hits {
            let decoder = self.power.pulls.get(hit.pull).and_then(|pull| pull.output);
            let key = (hit.code, decoder.map(|output| output.decoder));
            groups.entry(key).or_default().push(hit);
        }
        groups
            .into_values()
            .filter_map(|hits| self.tell(hits))
            .collect()
    }

    fn tell(&self, mut hits: Vec<Hit>) -> Option<Finding> {
        hits.sort_by(|one, other| other.weight.total_cmp(&one.weight));
        let pulls = hits.iter().filter_map(|hit| self.power.pulls.get(hit.pull));
        let mut subjects: Vec<_> = pulls.map(|pull| self.id(pull).clone()).collect();
        subjects.dedup();
        let others = subjects.iter().skip(1).map(Id::to_string);
        let others = match subjects.len() {
            1 => String::new(),
            _ => format!("; likewise {}", sound::and_more(others)),
        };
        let worst = hits.into_iter().next()?;
        let pull = self.power.pulls.get(worst.pull)?;
        subjects.extend(self.decoder(pull).cloned());
        let said = (worst.message + &others, worst.mend);
        Some(self.finding(worst.code, subjects, self.at(pull), said, worst.figures))
    }
}

fn throws(power: &Power<'_>) -> Vec<Throws> {
    let one = |index| {
        let recharged = power.recharged_in_a_sweep(index);
        Some(Throws {
            typical: power.throw(index, Corner::TYPICAL, 1.0)?,
            weak: power.throw(index, Corner::WEAK, recharged)?,
            strong: power.throw(index, Corner::STRONG, 1.0)?,
        })
    };
    (0..power.pulls.len()).filter_map(one).collect()
}
