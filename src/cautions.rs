//! What to mind when wiring and driving a layout.
//!
//! Every caution is common practice, no source, in our own words. They stand in reports, and are
//! shown before a real layout is driven for the first time.

/// Whom to believe before any of these.
pub const DEFER: &str = "Local codes, the maker's instructions and licensed practice come before \
                         anything said here.";

/// One caution.
#[derive(Debug, PartialEq, Eq)]
pub struct Caution {
    /// A short word for it.
    pub code: &'static str,
    /// The same in a few words.
    pub title: &'static str,
    /// What to mind, in one or two sentences.
    pub text: &'static str,
}

/// A coil that stays on. Common practice, no source.
pub const COIL_ON: Caution = Caution {
    code: "coil-on",
    title: "a coil that stays on",
    text: "A coil that stays on overheats within seconds: disconnect it at once. Don't leave a \
           layout powered and alone while it is being converted.",
};

/// Heat. Common practice, no source.
pub const HEAT: Caution = Caution {
    code: "heat",
    title: "hot parts",
    text: "Coils, resistors and irons get hot enough to burn: don't touch, and let coils cool \
           between runs of many throws.",
};

/// Power off before wiring. Common practice, no source.
pub const UNPLUG: Caution = Caution {
    code: "unplug",
    title: "unplug before you wire",
    text: "Unplug supplies before you wire; switching off is not enough. Discharge a capacitor \
           discharge unit through a resistor or a lamp, never with a screwdriver.",
};

/// Arms and blades that move. Common practice, no source.
pub const MOVING: Caution = Caution {
    code: "moving",
    title: "moving arms and blades",
    text: "Keep fingers out of blades and away from servo and motor arms while anything may be \
           thrown, and never turn a servo by hand.",
};

/// A stop in software. Derived: it can only send packets.
pub const STOP: Caution = Caution {
    code: "stop",
    title: "a switch that takes the power off",
    text: "Have one plain switch in reach that takes the power off the drives: a stop by program \
           can't release an output that is stuck.",
};

/// Supplies that meet. Common practice, no source.
pub const BACK_FEED: Caution = Caution {
    code: "back-feed",
    title: "supplies that meet",
    text: "Never let two supplies meet, neither in parallel nor through a common return, a frog \
           or an old switch: one can feed back through the other and put mains voltage on the \
           pins of its plug.",
};

/// After smoke. Common practice, no source.
pub const SMOKE: Caution = Caution {
    code: "smoke",
    title: "after smoke",
    text: "After a smell or smoke: power off, air the room, find what burnt. Don't power it again \
           to see it once more.",
};

/// All of them, the gravest first.
pub const ALL: [Caution; 16] = [
    Caution {
        code: "mains",
        title: "mains off the layout",
        text: "Mains voltage stays off the layout: only safe extra-low voltage goes under it, \
               from closed, approved supplies that stand apart. Look over their leads regularly.",
    },
    BACK_FEED,
    Caution {
        code: "supplies",
        title: "sound supplies",
        text: "Take double-insulated supplies with short-circuit protection, on an outlet with \
               residual-current protection. Don't open or repair them, and keep them dry.",
    },
    UNPLUG,
    COIL_ON,
    SMOKE,
    STOP,
    Caution {
        code: "currents",
        title: "wires and fuses",
        text: "Choose wire and fuses for the current of a fault: a booster can weld wheels and \
               heat thin wire. Add a fuse where the breaker is old or unknown.",
    },
    Caution {
        code: "kinds",
        title: "kinds of current",
        text: "AC, DC and DCC don't mix: never let a DCC output meet another supply, and never \
               let two boosters that are out of phase meet at a gap.",
    },
    HEAT,
    MOVING,
    Caution {
        code: "capacitors",
        title: "capacitors the right way round",
        text: "An electrolytic capacitor that is fitted the wrong way round bursts: check its \
               polarity before the first power.",
    },
    Caution {
        code: "soldering",
        title: "soldering overhead",
        text: "Solder drops fall on the face of whoever lies below: wear glasses and long \
               sleeves, air the room, wash your hands.",
    },
    Caution {
        code: "tools",
        title: "cutting and drilling",
        text: "Power off before you cut or drill, and look first what is on the other side of \
               the board.",
    },
    Caution {
        code: "body",
        title: "your body",
        text: "Mind your neck, back and knees: pause, kneel on a mat, and get a second person \
               for heavy boards. Secure a raised board against falling.",
    },
    Caution {
        code: "children",
        title: "children and pets",
        text: "Small and hot parts, loose plugs and moving blades are not for children and pets: \
               watch over them.",
    },
];

/// All cautions as text for people, one a paragraph, with whom to believe first.
pub fn text() -> String {
    let mut text = format!("{DEFER}\n");
    for caution in &ALL {
        text.push_str("\n- ");
        text.push_str(caution.text);
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn each_has_its_own_code_and_the_named_ones_are_in_the_list() {
        let codes: BTreeSet<_> = ALL.iter().map(|caution| caution.code).collect();
        assert_eq!(codes.len(), ALL.len());
        for named in [COIL_ON, HEAT, UNPLUG, MOVING, STOP, BACK_FEED, SMOKE] {
            assert!(ALL.contains(&named), "{}", named.code);
        }
    }

    #[test]
    fn the_text_defers_before_it_says_anything() {
        let text = text();
        assert!(text.starts_with(DEFER));
        assert!(ALL.iter().all(|caution| text.contains(caution.text)));
    }
}
