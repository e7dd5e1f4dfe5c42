//! Where to look, as every place shows it.

use serde::Serialize;
use throwproof_protocol::address::{KeyedAddress, Position};

use crate::drawing::{Route, signal};
use crate::event::Subject;
use crate::plan::{Face, Id, Plan, Shape, Sort};

/// Where to look.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sight {
    /// Turnout or signal.
    #[serde(flatten)]
    pub subject: Subject,
    /// Where it is; empty where the plan does not say.
    pub place: String,
    /// Keyed address.
    pub address: u16,
    /// Addresses of the further drives of a turnout that has several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub more_addresses: Vec<u16>,
    /// Shape of a turnout.
    pub shape: Option<Shape>,
    /// Names of a signal's aspects, in the order of the plan.
    pub aspects: Vec<Id>,
    /// Its lamps at each of them; `None` at one that the plan does not describe.
    #[serde(
        skip_serializing_if = "Vec::is_empty",
        serialize_with = "signal::serialize"
    )]
    pub faces: Vec<Option<Face>>,
    /// What it is, where it is no turnout.
    pub sort: Sort,
    /// The positions of a turnout with several drives, in the order of the plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<PositionSight>,
}

/// A position of a turnout with several drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PositionSight {
    /// Its name in the plan.
    pub name: Id,
    /// The route by which it is drawn, where it can be.
    pub route: Option<Route>,
}

impl Sight {
    pub(super) fn of(plan: &Plan, subject: &Subject) -> Self {
        let id = subject.id().as_str();
        let mut sight = Self {
            subject: subject.clone(),
            place: String::new(),
            address: 0,
            more_addresses: Vec::new(),
            shape: None,
            aspects: Vec::new(),
            positions: Vec::new(),
            faces: Vec::new(),
            sort: Sort::Signal,
        };
        match subject {
            Subject::Turnout(_) => {
                if let Some(turnout) = plan.turnout(id) {
                    sight.place.clone_from(&turnout.place);
                    sight.address = turnout.address.get();
                    let addresses = turnout.addresses().into_iter().skip(1);
                    sight.more_addresses = addresses.map(KeyedAddress::get).collect();
                    sight.shape = Some(turnout.shape);
                    let several = turnout.joint.iter().flat_map(|joint| &joint.positions);
                    let several = several.map(|one| PositionSight {
                        name: one.name.clone(),
                        route: Route::of(turnout.shape, one),
                    });
                    sight.positions = several.collect();
                }
            }
            Subject::Signal(_) => {
                if let Some(signal) = plan.signal(id) {
                    sight.place.clone_from(&signal.place);
                    sight.address = signal.address.get();
                    sight.aspects = signal.aspects.iter().map(|one| one.name.clone()).collect();
                    sight.sort = signal.sort;
                    if !signal.lamps.is_empty() {
                        let faces = signal.aspects.iter().map(|one| signal.face(one));
                        sight.faces = faces.collect();
                    }
                }
            }
        }
        sight
    }

    /// Whether its turnout can lie in the position of that name.
    pub(super) fn can_lie(&self, name: &str) -> bool {
        if self.positions.is_empty() {
            return matches!(self.subject, Subject::Turnout(_)) && name.parse::<Position>().is_ok();
        }
        self.positions.iter().any(|one| one.name.as_str() == name)
    }
}

/// The position's word.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "what serde hands over")]
pub(super) fn word<S: serde::Serializer>(
    position: &Position,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(position.as_str())
}

/// A turnout of a survey.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// Which, and where to look.
    #[serde(flatten)]
    pub sight: Sight,
    /// Where it was last sent.
    #[serde(serialize_with = "word")]
    pub sent: Position,
}

/// All others of the plan, those of the same place first and then by how near their address is:
/// a wrong wire or a wrong block is seldom far off.
pub(super) fn near(plan: &Plan, subject: &Subject) -> Vec<Id> {
    let own = Sight::of(plan, subject);
    let turnouts = plan
        .turnouts
        .iter()
        .map(|one| (&one.id, &one.place, one.address));
    let signals = plan
        .signals
        .iter()
        .map(|one| (&one.id, &one.place, one.address));
    let mut others: Vec<_> = turnouts
        .chain(signals)
        .filter(|(id, ..)| *id != own.subject.id())
        .collect();
    others.sort_by_key(|(_, place, address)| {
        (**place != own.place, address.get().abs_diff(own.address))
    });
    others.into_iter().map(|(id, ..)| id.clone()).collect()
}
