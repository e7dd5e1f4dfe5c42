//! The drives of a turnout that has several, each taken as a turnout of its own.
//!
//! That is how a fault in one of them is looked for. A drive is thrown by itself only between two
//! positions of the whole turnout that differ in that drive alone, after the others were brought
//! to where they lie in both: so no forbidden combination is ever made. Where there are no two
//! such positions, it is thrown by itself only if any combination may be passed through.

use throwproof_protocol::address::Position;

use super::{Id, Joint, Plan, Turnout};

/// Which drive of which turnout it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// The whole turnout.
    pub of: Id,
    /// The drive, from 0, in the order of the plan.
    pub drive: usize,
    /// The positions of the whole in which this drive lies straight and diverging, the others
    /// alike; `None` where there are no two such.
    pub between: Option<[Id; 2]>,
    /// The throws of single drives that lead to the first of these; nothing where any
    /// combination may be passed through.
    pub way: Vec<(usize, Position)>,
    /// Whether any combination of the drives may be passed through.
    pub free_passage: bool,
}

impl Part {
    fn of(id: &Id, joint: &Joint, drive: usize) -> Self {
        let between = between(joint, drive);
        let way = between.as_ref().filter(|_| !joint.free_passage);
        let way = way.and_then(|[straight, _]| joint.way_to(straight.as_str()));
        Self {
            of: id.clone(),
            drive,
            between,
            way: way.unwrap_or_default(),
            free_passage: joint.free_passage,
        }
    }

    /// Whether it may be thrown while the other drives stay where they are.
    pub fn is_thrown_alone(&self) -> bool {
        self.free_passage || !self.way.is_empty()
    }

    /// How it is thrown by itself, for whoever does that by hand: what has to come first, and
    /// which positions of the whole it goes between.
    pub fn told(&self, id: &Id) -> Option<String> {
        let of = &self.of;
        let [straight, diverging] = self.between.as_ref()?;
        Some(format!(
            "{id} is thrown by itself between `{straight}`, its straight, and `{diverging}` of \
             {of}. Bring {of} to `{straight}` before each test."
        ))
    }

    /// The position of the whole in which this drive lies so and the others alike.
    pub fn whole(&self, position: Position) -> Option<&Id> {
        let [straight, diverging] = self.between.as_ref()?;
        Some(match position {
            Position::Straight => straight,
            Position::Diverging => diverging,
        })
    }
}

/// Two positions that differ in that drive alone, straight in the first; those that have the one
/// it is left in before others.
fn between(joint: &Joint, drive: usize) -> Option<[Id; 2]> {
    let lies = |one: &[Position]| one.get(drive).copied();
    let mut pairs = Vec::new();
    for one in &joint.positions {
        if lies(&one.drives) != Some(Position::Straight) {
            continue;
        }
        let mut other = one.drives.clone();
        if let Some(it) = other.get_mut(drive) {
            *it = Position::Diverging;
        }
        if let Some(diverging) = joint.name_of(&other) {
            pairs.push([one.name.clone(), diverging.clone()]);
        }
    }
    let at_rest = pairs.iter().position(|pair| pair.contains(&joint.rest));
    (!pairs.is_empty()).then(|| pairs.swap_remove(at_rest.unwrap_or_default()))
}

impl Turnout {
    /// Its drives as turnouts of their own; itself where it has but one.
    pub fn apart(&self) -> Vec<Self> {
        let Some(joint) = &self.joint else {
            return vec![self.clone()];
        };
        let drives = joint.drives.iter().enumerate();
        let each = drives.map(|(drive, reached)| {
            let part = Part::of(&self.id, joint, drive);
            let rests_diverging = part.whole(Position::Diverging) == Some(&joint.rest);
            Self {
                id: part_id(&self.id, drive),
                address: reached.address,
                output: reached.output,
                straight_bit: reached.straight_bit,
                rest: if rests_diverging {
                    Position::Diverging
                } else {
                    Position::Straight
                },
                joint: None,
                part: Some(part),
                ..self.clone()
            }
        });
        each.collect()
    }
}

/// What a drive is called, from 0.
pub fn part_id(of: &Id, drive: usize) -> Id {
    Id::new(&format!("{of} drive {}", drive + 1))
}

impl Plan {
    /// The same plan with every drive a turnout of its own.
    #[must_use]
    pub fn apart(&self) -> Self {
        Self {
            turnouts: self.turnouts.iter().flat_map(Turnout::apart).collect(),
            ..self.clone()
        }
    }

    /// The turnouts that are of that id, or are drives of it, as indices.
    pub fn drives_of(&self, id: &str) -> Vec<usize> {
        let is_of = |turnout: &Turnout| {
            let whole = turnout.part.as_ref().map(|part| part.of.as_str());
            turnout.id.as_str() == id || whole == Some(id)
        };
        let all = self.turnouts.iter().enumerate();
        all.filter(|(_, turnout)| is_of(turnout))
            .map(|(index, _)| index)
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn yard() -> Plan {
        let text = include_str!("../../../fixtures/shapes/plan.toml");
        Plan::from_text("plan.toml", text).unwrap().apart()
    }

    fn part(id: &str) -> Part {
        yard().turnout(id).unwrap().part.clone().unwrap()
    }

    #[test]
    fn a_drive_is_thrown_between_positions_that_differ_in_it_alone() {
        let ids = |part: &Part| part.between.clone().unwrap().map(|id| id.to_string());
        let left = part("T1 drive 1");
        assert_eq!(ids(&left), ["straight", "left"]);
        assert!(left.is_thrown_alone());
        assert_eq!(ids(&part("T1 drive 2")), ["straight", "right"]);
        // It has no fourth combination: the far end moves alone only beside the near one.
        assert_eq!(ids(&part("SS drive 1")), ["straight", "slip"]);
        assert_eq!(ids(&part("SS drive 2")), ["slip", "across"]);
    }

    #[test]
    fn the_way_there_ends_where_both_positions_have_the_others() {
        for turnout in yard().turnouts {
            let Some(part) = turnout.part else { continue };
            if part.free_passage {
                assert!(part.is_thrown_alone() && part.way.is_empty());
                continue;
            }
            let last = part.way.iter().rfind(|(drive, _)| *drive == part.drive);
            assert_eq!(last.unwrap().1, Position::Straight, "{}", turnout.id);
        }
    }

    #[test]
    fn a_drive_that_only_moves_with_another_has_no_throw_of_its_own() {
        let text = "[layout]\nname = \"Bay\"\n[[turnout]]\nid = \"M\"\nshape = \"double-slip\"\n\
                    addresses = [1, 2, 3]\n[turnout.positions]\n\
                    a = [\"straight\", \"straight\", \"straight\"]\n\
                    b = [\"straight\", \"straight\", \"diverging\"]\n\
                    c = [\"diverging\", \"straight\", \"straight\"]\n";
        let plan = Plan::from_text("plan.toml", text).unwrap().apart();
        let alone = |it: &Turnout| it.part.as_ref().unwrap().is_thrown_alone();
        let each: Vec<bool> = plan.turnouts.iter().map(alone).collect();
        assert_eq!(each, [true, false, true]);
        assert_eq!(plan.drives_of("M"), [0, 1, 2]);
    }
}
