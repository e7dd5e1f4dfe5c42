//! What causes are drawn as at first.

use super::{Belief, Options};
use crate::diagnose::cause::{self, Cause, Draw};
use crate::diagnose::layout::Layout;
use crate::diagnose::sight::{Answer, Motion, Other};

/// How often a cause is drawn at the most for each draw with which the turnout fails.
const ATTEMPTS: u32 = 4;

/// Draws of a cause, what a sweep shows of their failing turnout where that was worked out, and
/// the number of the next.
pub(super) struct Drawn {
    pub(super) drawn: Vec<(Layout, Option<Answer>)>,
    pub(super) next: u32,
}

/// Draws a cause as often as wanted; where it `fails`, only draws count with which it does.
pub(super) fn draw(belief: &Belief, cause: &Cause, fails: bool, options: &Options) -> Drawn {
    let site = &belief.site;
    let wanted = options.draws.max(1);
    let is_sound = cause.name == cause::NOTHING_WRONG;
    let sound = Answer::Motion(Motion::AsSent, Other::Nothing);
    let mut drawn = Vec::new();
    let mut next = 0;
    for number in 0..ATTEMPTS * wanted {
        next = number + 1;
        let own = seed_of(options.seed, cause.name, number);
        let Some(built) = (cause.state)(site, &mut Draw::new(own, &belief.suspects)) else {
            break;
        };
        let layout = Layout::new(site, built, own);
        let swept = (fails || is_sound).then(|| layout.sweep(site, site.target));
        // With nothing wrong it does not fail, even where the layout is near its limits.
        if is_sound == (swept == Some(sound)) || !fails && !is_sound {
            drawn.push((layout, swept));
        }
        // A cause that hardly ever makes it fail is not looked for any longer.
        if drawn.len() >= wanted as usize || number >= wanted && drawn.is_empty() {
            break;
        }
    }
    Drawn { drawn, next }
}

/// A seed for each draw of each cause.
pub(in crate::diagnose) fn seed_of(seed: u64, name: &str, number: u32) -> u64 {
    // FNV-1a, 64 bits.
    let bytes = name.bytes().chain(number.to_le_bytes());
    bytes.fold(seed ^ 0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}
