//! Learn mode and switches.

use throwproof_protocol::address::Position;

use super::{Act, Desk, Refusal, Steps};
use crate::drawing::switches;
use crate::plan::OutputKind;
use crate::plan::teaching::Choice;
use crate::witness::bench::Job;

/// Learn by first command: learn mode on, the command, learn mode off.
pub(super) fn first_command(desk: &Desk<'_>, steps: &mut Steps) {
    let name = desk.name();
    let teaching = &desk.board.teaching;
    let by = if teaching.by.is_empty() {
        "the learn lead"
    } else {
        &teaching.by
    };
    let is_button = by.contains("button");
    let (on, off) = if is_button {
        (
            format!("Press {by} of {name}"),
            format!("Press {by} of {name} again"),
        )
    } else {
        (
            format!("Put {by} of {name} on"),
            format!("Take {by} of {name} off"),
        )
    };
    if teaching.power_off {
        let text = format!("Take the power of {name} away: it looks for {by} when power comes on");
        steps.change(Act::Hand(Job::PowerOff), text, "", |state| {
            state.is_off = true;
        });
    }
    let mind = "Nothing else may be thrown until it is out of learn mode again.";
    steps.change(Act::Hand(Job::LearnOn), on, mind, |state| {
        state.is_learning = true;
    });
    if teaching.power_off {
        let text = format!("Give {name} power");
        steps.change(Act::Hand(Job::PowerOn), text, mind, |state| {
            state.is_off = false;
        });
    }
    let (output, position) = teacher(desk).map_or((1, Position::Straight), |choice| {
        (choice.output, choice.position)
    });
    let outputs = if teaching.each_output {
        1..=desk.board.outputs
    } else {
        output..=output
    };
    let last = *outputs.end();
    for output in outputs {
        let Some(address) = desk.address_of(output - 1) else {
            continue;
        };
        let position = if output == 1 || !teaching.each_output {
            position
        } else {
            Position::Straight
        };
        let act = Act::Teach { address, position };
        let text = format!("Address {address} {position} is sent, which {name} learns");
        let each = teaching.each_output;
        steps.change(act, text, "", |state| {
            state.is_mixed = each && output != last;
            state.moves_to(desk.to, None);
        });
    }
    steps.change(Act::Hand(Job::LearnOff), off, "", |state| {
        state.is_learning = false;
    });
}

/// The choice of output and position that gives the planned pulse.
fn teacher<'a>(desk: &Desk<'a>) -> Option<&'a Choice> {
    let chooses = &desk.board.teaching.chooses;
    let is_pulse = desk.board.output_kind == OutputKind::Pulse;
    let fits = |choice: &&Choice| choice.pulse_ms == desk.board.pulse_ms;
    let found = chooses.iter().find(fits).filter(|_| is_pulse);
    // A board that is taught output by output starts with the first.
    found.filter(|choice| !desk.board.teaching.each_output || choice.output == 1)
}

/// Switches: power off, set them, power on, as most boards look at them only then.
pub(super) fn switches(desk: &Desk<'_>, steps: &mut Steps) -> Result<(), Refusal> {
    let name = desk.name();
    let Some(switches) = desk.board.teaching.switches else {
        return Err(Refusal::new(
            format!("the plan does not say which switches {} has", desk.board.id),
            "say it in its table: learn = { switches = { count = 8, of = \"decoders\" } }",
        ));
    };
    let on = switches
        .set_for(desk.binary(desk.to))
        .map_err(|reason| Refusal::new(reason, "give it another address, or another board"))?;
    let text = format!(
        "Take the power of {name} away: most boards look at their switches only when it comes back"
    );
    steps.change(Act::Hand(Job::PowerOff), text, "", |state| {
        state.is_off = true;
    });
    let text = format!("Set the switches of {name}: {}", switches::words(&on));
    let mind = "Switch 1 is the one that the board or its paper calls so.";
    steps.change(Act::Hand(Job::Switches { on }), text, mind, |state| {
        state.at.push((desk.to, None));
    });
    let text = format!("Give {name} power");
    steps.change(Act::Hand(Job::PowerOn), text, "", |state| {
        state.is_off = false;
        state.moves_to(desk.to, None);
    });
    Ok(())
}
