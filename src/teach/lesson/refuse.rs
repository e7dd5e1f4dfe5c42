//! What is not begun, because it would strand a decoder or change another.

use throwproof_protocol::address::{BinaryAddress, KeyedAddress};

use super::{Desk, FACTORY, Refusal};
use crate::event::teach::Method;
use crate::plan::BlockStart;

pub(super) fn check(desk: &Desk<'_>) -> Result<(), Refusal> {
    let id = &desk.board.id;
    let to = desk.to;
    let last = to.get() + u16::from(desk.board.outputs) - 1;
    if KeyedAddress::new(last).is_err() {
        let what =
            format!("the outputs of {id} from address {to} on end at {last}, and 2048 is the last");
        return Err(Refusal::new(what, "give it a lower address"));
    }
    let first = desk.binary(to);
    if let Some(starts) = misplaced(desk.board.block_start, first) {
        let what = format!(
            "the block of {id} starts at {starts} (its `block_start`): taught {to}, it would take \
             another first address"
        );
        let mend = "give it such an address, or set its `block_start`";
        return Err(Refusal::new(what, mend));
    }
    let own = (to.get()..=last).filter_map(|address| KeyedAddress::new(address).ok());
    let own: Vec<_> = own.collect();
    let reserved = own.iter().find(|one| desk.binary(**one).is_broadcast());
    if let Some(reserved) = reserved.filter(|_| !desk.options.allow_reserved) {
        let what = format!(
            "{id} would have address {reserved}, which is the broadcast to every decoder or the \
             emergency stop as well"
        );
        return Err(Refusal::new(
            what,
            "give it another address; if that is what you want, say --allow-reserved",
        ));
    }
    let taken = own.iter().find_map(|one| {
        let owner = desk.others.get(&desk.binary(*one).get())?;
        Some((one, owner))
    });
    if let Some((address, owner)) = taken.filter(|_| !desk.options.allow_overlap) {
        let what = format!("{id} would have address {address}, which the plan gives to {owner}");
        let mend = "give it another address; if both are to answer, say --allow-overlap";
        return Err(Refusal::new(what, mend));
    }
    if desk.method == Method::Main {
        check_main(desk)?;
    }
    if desk.options.set_pulse {
        check_pulse(desk)?;
    }
    if desk.options.read && desk.method != Method::ProgrammingTrack {
        return Err(Refusal::new(
            "CVs can be read on the programming track only",
            "leave out --read, or take --by programming-track",
        ));
    }
    Ok(())
}

/// Where a block starts, if it can't start there.
fn misplaced(start: BlockStart, first: BinaryAddress) -> Option<&'static str> {
    let first = first.get();
    match start {
        BlockStart::Any => None,
        BlockStart::EveryFourth => (!first.is_multiple_of(4)).then_some("1, 5, 9, 13 and so on"),
        BlockStart::EveryEighth => {
            (!(first + FACTORY).is_multiple_of(8)).then_some("1, 9, 17, 25 and so on")
        }
    }
}

/// A write on the layout goes to whoever has the address.
fn check_main(desk: &Desk<'_>) -> Result<(), Refusal> {
    let first = desk.binary(desk.from);
    let id = &desk.board.id;
    if first.is_broadcast() {
        let what = format!(
            "{id} can't be written to at address {}: it is the broadcast",
            desk.from
        );
        return Err(Refusal::new(what, "use the programming track"));
    }
    let reached = desk.written_to(desk.held(), first);
    let owner = reached.iter().find_map(|address| desk.others.get(address));
    if let Some(owner) = owner.filter(|_| !desk.options.alone) {
        let what = format!(
            "a write to address {} would change {owner} as well, which the plan has there",
            desk.from
        );
        let mend = "take the power of the others away and say --alone, or use the programming \
                    track; --from says which address it has now";
        return Err(Refusal::new(what, mend));
    }
    Ok(())
}

fn check_pulse(desk: &Desk<'_>) -> Result<(), Refusal> {
    let id = &desk.board.id;
    match desk.method {
        Method::FirstCommand | Method::Switches => Err(Refusal::new(
            format!("{id} is not taught by CVs, so its pulse can't be written"),
            "leave out --set pulse, or take --by main or --by programming-track",
        )),
        Method::Main | Method::ProgrammingTrack
            if desk.board.teaching.on_time_unit_ms.is_none() =>
        {
            Err(Refusal::new(
                format!("the plan does not say what one count of the on-time CVs of {id} is"),
                "write it into its table, as the maker says: learn = { on_time_unit_ms = 10 }",
            ))
        }
        Method::Main | Method::ProgrammingTrack => Ok(()),
    }
}
