//! What is shown of a step at a decoder: what to do by hand, or which output was commanded.

use super::bench;
use super::page::Page;
use super::text::{bold, sentence, wrap};
use crate::drawing::switches;
use crate::plan::Id;
use crate::witness::bench::{Job, Task, Watch};

/// Columns before the first switch.
const MARGIN: usize = 9;

/// Columns of a switch.
const PITCH: usize = 4;

/// The most switches in a row.
const IN_A_ROW: usize = 16;

impl Page<'_> {
    /// Which step it is, and of what.
    fn step(&mut self, (step, steps): (u32, u32), decoder: &Id, place: &str) {
        let place = match place {
            "" => String::new(),
            place => format!(", {place}"),
        };
        if self.manner.plain {
            self.say(format!("Step {step} of {steps}."));
            self.say(format!("Decoder {decoder}{place}."));
        } else {
            let step = bold(&format!("Step {step} of {steps}"));
            self.say(format!("{step}   {decoder}{place}"));
        }
        self.space();
    }

    /// Sentences that stand out.
    fn said_loud(&mut self, sentences: &str) {
        if self.manner.plain {
            self.told(sentences);
        } else {
            for line in wrap(sentences, self.manner.width()) {
                self.say(bold(&line));
            }
        }
    }

    /// Something to be done by hand.
    pub(super) fn task(&mut self, task: &Task) {
        self.step((task.step, task.steps), &task.decoder, &task.place);
        self.said_loud(&sentence(&task.text));
        if let Job::Switches { on } = &task.job {
            let words = switches::words(on);
            if !task.text.contains(&words) {
                self.told(&format!("Switches: {words}."));
            }
            if !self.manner.plain {
                self.space();
                for row in drawn(on, self.manner.width(), self.manner.unicode) {
                    self.say(row);
                }
                self.space();
            }
            self.told("Which side of a switch is on, the board says.");
        }
        if !task.mind.is_empty() {
            self.told(&task.mind);
        }
        self.space();
    }

    /// An output that was commanded.
    pub(super) fn watch(&mut self, watch: &Watch) {
        self.step((watch.step, watch.steps), &watch.decoder, &watch.place);
        let address = watch.address;
        let sent = if self.manner.blind {
            format!("Sent to address {address}")
        } else {
            format!("Sent: {} to address {address}", watch.sent)
        };
        let decoder = &watch.decoder;
        let meant = match (watch.output, &watch.wired) {
            (Some(output), Some(id)) => format!(", output {output} ({id})."),
            (Some(output), None) => format!(", output {output}."),
            (None, _) => format!(". Nothing of {decoder} should act."),
        };
        let hidden = if self.manner.blind {
            " Which half is told when you have answered."
        } else {
            ""
        };
        self.told(&format!("{sent}{meant}{hidden}"));
        self.say(bold(&bench::asked(watch)));
    }
}

/// The switches in characters: each a slider that is up or down, under its number.
fn drawn(on: &[bool], width: usize, unicode: bool) -> Vec<String> {
    let a_row = (width.saturating_sub(MARGIN) / PITCH).clamp(1, IN_A_ROW);
    let slider = if unicode { "[█]" } else { "[#]" };
    let mut rows = Vec::new();
    for (row, some) in on.chunks(a_row).enumerate() {
        let first = row * a_row + 1;
        let numbers = (first..)
            .zip(some)
            .map(|(number, _)| format!("{number:^3} "));
        let half = |wanted: bool| {
            let cells = some
                .iter()
                .map(|on| if *on == wanted { slider } else { "[ ]" });
            cells.collect::<Vec<_>>().join(" ")
        };
        let numbers: String = numbers.collect();
        rows.push(format!("{:MARGIN$}{}", "", numbers.trim_end()));
        rows.push(format!("{:>7}  {}", "on", half(true)));
        rows.push(format!("{:>7}  {}", "off", half(false)));
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_switch_that_is_on_is_up() {
        let on = [true, false, false, true];
        assert_eq!(
            drawn(&on, 80, false),
            [
                "          1   2   3   4",
                "     on  [#] [ ] [ ] [#]",
                "    off  [ ] [#] [#] [ ]",
            ]
        );
    }

    #[test]
    fn many_switches_go_on_below() {
        let rows = drawn(&[true; 20], 80, true);
        assert_eq!(rows.len(), 6);
        assert!(rows[0].ends_with("14  15  16"), "{rows:?}");
        assert_eq!(rows[3].trim(), "17  18  19  20");
        assert!(rows.iter().all(|row| row.chars().count() <= 80));
        let narrow = drawn(&[true; 8], 40, true);
        assert_eq!(narrow.len(), 6, "7 in 40 columns: {narrow:?}");
    }
}
