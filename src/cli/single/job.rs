//! What a single command is sent to: looked up in the plan, or added to it.

use throwproof_protocol::address::{KeyedAddress, PairBit};

use crate::cli::Failure;
use crate::cli::run::no_such_id;
use crate::event::Subject;
use crate::plan::{
    Aspect, Drive, Id, PacketFormat, Plan, Shape, Signal, SignalKind, Sort, Turnout,
};
use crate::toml_reader::nearest;
use crate::track::as_built::AsBuilt;

/// What to send where.
pub(super) struct Job {
    /// The plan that the track is built by.
    pub(super) track: Plan,
    /// What is really there, where that is made up as well.
    pub(super) as_built: Option<AsBuilt>,
    /// The plan that is driven: with what was named by its address alone added to it.
    pub(super) plan: Plan,
    pub(super) subject: Subject,
    pub(super) commanded: Id,
    pub(super) addresses: Vec<KeyedAddress>,
}

pub(super) fn address_without_plan(target: &str) -> Result<KeyedAddress, Failure> {
    if is_number(target) {
        return address(target);
    }
    Err(Failure::usage(
        format!("there is no plan to look `{target}` up in"),
        "name the plan with --plan, or give the address that a person keys",
    ))
}

/// Is it an address? No id of a plan is a bare number.
fn is_number(target: &str) -> bool {
    target.bytes().all(|byte| byte.is_ascii_digit())
}

fn address(target: &str) -> Result<KeyedAddress, Failure> {
    target.parse().map_err(|error| {
        Failure::usage(
            format!("{error}"),
            "give the number that a person keys to throw it",
        )
    })
}

pub(super) fn no_such_value(aspect: &str) -> Failure {
    Failure::usage(
        format!("`{aspect}` is no aspect"),
        "give a value from 0 to 255, or a name that the plan has for this signal",
    )
}

pub(super) fn no_such_position(position: &str) -> Failure {
    Failure::usage(
        format!("`{position}` is no position"),
        "give `straight` or `diverging`, or name the plan that has it with --plan",
    )
}

/// The position of that name.
fn position_of(turnout: &Turnout, position: &str) -> Result<Id, Failure> {
    let known = turnout.positions();
    let found = known.iter().find(|name| name.as_str() == position);
    found.cloned().ok_or_else(|| {
        let names: Vec<_> = known.iter().map(|name| format!("`{name}`")).collect();
        let id = &turnout.id;
        let near = nearest(position, known.iter().map(Id::as_str));
        let meant = near.map_or(String::new(), |near| format!("; did you mean `{near}`?"));
        Failure::usage(
            format!("{id} has no position `{position}`{meant}"),
            match names.split_last() {
                Some((last, others)) => format!("write {} or {last}", others.join(", ")),
                None => "it has none".to_owned(),
            },
        )
    })
}

pub(super) fn planned_throw(mut plan: Plan, target: &str, position: &str) -> Result<Job, Failure> {
    let track = plan.clone();
    let by_id = plan.turnout(target).cloned();
    if let (None, Some(signal)) = (&by_id, plan.signal(target)) {
        let id = &signal.id;
        return Err(Failure::usage(
            format!("{id} is a signal"),
            format!("write `throwproof aspect {id} ASPECT`"),
        ));
    }
    let turnout = match by_id {
        Some(turnout) => turnout,
        None if is_number(target) => turnout_at(&mut plan, address(target)?)?,
        None => return Err(no_such_id(&plan, target)),
    };
    let commanded = position_of(&turnout, position)?;
    Ok(Job {
        track,
        as_built: None,
        plan,
        addresses: turnout.addresses(),
        subject: Subject::Turnout(turnout.id),
        commanded,
    })
}

/// The turnout at an address; one that the plan does not have is added to it.
fn turnout_at(plan: &mut Plan, address: KeyedAddress) -> Result<Turnout, Failure> {
    if let Some(turnout) = plan
        .turnouts
        .iter()
        .find(|turnout| turnout.addresses().contains(&address))
    {
        if turnout.joint.is_some() {
            let id = &turnout.id;
            return Err(Failure::usage(
                format!("address {address} is one drive of {id}, which has several"),
                format!(
                    "throw it by its id, so that no forbidden combination comes about: \
                     `throwproof throw {id} {}`",
                    turnout.rest_name()
                ),
            ));
        }
        return Ok(turnout.clone());
    }
    if let Some(signal) = signal_at(plan, address) {
        let id = &signal.id;
        return Err(Failure::usage(
            format!("address {address} belongs to signal {id}"),
            format!("write `throwproof aspect {id} ASPECT`"),
        ));
    }
    crate::cli::remark(&format!(
        "the plan has nothing at address {address}; it is thrown all the same"
    ));
    let turnout = Turnout {
        id: Id::new(&address.to_string()),
        place: String::new(),
        shape: Shape::Left,
        address,
        output: None,
        drive: Drive::TwinCoil,
        drives: 1,
        straight_bit: PairBit::One,
        amps: None,
        position_reports: false,
        rest: plan.layout.rest,
        shares_address: false,
        accept: Vec::new(),
        joint: None,
        part: None,
        format: PacketFormat::Basic,
        on_ms: None,
        wire: None,
        needs_ms: None,
        line: 0,
    };
    plan.turnouts.push(turnout.clone());
    Ok(turnout)
}

fn signal_at(plan: &Plan, address: KeyedAddress) -> Option<&Signal> {
    plan.signals.iter().find(|signal| {
        let first = signal.address.get();
        (first..first + u16::from(signal.addresses())).contains(&address.get())
    })
}

pub(super) fn planned_aspect(mut plan: Plan, target: &str, aspect: &str) -> Result<Job, Failure> {
    let track = plan.clone();
    let by_id = plan
        .signals
        .iter()
        .position(|signal| signal.id.as_str() == target);
    if let (None, Some(turnout)) = (by_id, plan.turnout(target)) {
        return Err(is_turnout(turnout));
    }
    let index = match by_id {
        Some(index) => index,
        None if is_number(target) => signal_index_at(&mut plan, address(target)?)?,
        None => return Err(no_such_id(&plan, target)),
    };
    let Some(signal) = plan.signals.get_mut(index) else {
        return Err(no_such_id(&plan, target));
    };
    let commanded = aspect_of(signal, aspect)?;
    let (subject, address) = (Subject::Signal(signal.id.clone()), signal.address);
    Ok(Job {
        track,
        as_built: None,
        plan,
        subject,
        commanded,
        addresses: vec![address],
    })
}

fn is_turnout(turnout: &Turnout) -> Failure {
    let id = &turnout.id;
    Failure::usage(
        format!("{id} is a turnout"),
        match &turnout.joint {
            None => format!("write `throwproof throw {id} straight` or `diverging`"),
            Some(_) => format!("write `throwproof throw {id} {}`", turnout.rest_name()),
        },
    )
}

/// The signal at an address; one that the plan does not have is added to it.
fn signal_index_at(plan: &mut Plan, address: KeyedAddress) -> Result<usize, Failure> {
    if let Some(index) = plan
        .signals
        .iter()
        .position(|signal| signal.address == address)
    {
        return Ok(index);
    }
    if let Some(turnout) = plan
        .turnouts
        .iter()
        .find(|turnout| turnout.addresses().contains(&address))
    {
        return Err(is_turnout(turnout));
    }
    crate::cli::remark(&format!(
        "the plan has nothing at address {address}; it is sent all the same"
    ));
    plan.signals.push(Signal {
        id: Id::new(&address.to_string()),
        place: String::new(),
        address,
        kind: SignalKind::Extended,
        output: None,
        aspects: Vec::new(),
        sort: Sort::Signal,
        lamps: Vec::new(),
        restrictive: None,
        on_ms: None,
        line: 0,
    });
    Ok(plan.signals.len() - 1)
}

/// The aspect of that name or value. A value that the plan gives no name is added, where the
/// signal takes any.
fn aspect_of(signal: &mut Signal, aspect: &str) -> Result<Id, Failure> {
    if let Some(named) = signal
        .aspects
        .iter()
        .find(|one| one.name.as_str() == aspect)
    {
        return Ok(named.name.clone());
    }
    let value: u8 = aspect.parse().map_err(|_| no_such_value(aspect))?;
    if let Some(valued) = signal.aspects.iter().find(|one| one.value == value) {
        return Ok(valued.name.clone());
    }
    if signal.kind == SignalKind::Pairs {
        return Err(no_such_value(aspect));
    }
    let name = Id::new(aspect);
    signal.aspects.push(Aspect {
        name: name.clone(),
        value,
        lit: None,
    });
    Ok(name)
}
