//! Each fault alone on the fault bench, for every way to sweep it.

/// What the file says, and the verdict of each turnout that is not proved.
pub(crate) const FAULTS: &[(&str, &str, &str)] = &[
    ("nothing wrong", "", ""),
    (
        "output leads swapped",
        "[turnout.A1]\nleads_swapped = true",
        "A1 reversed",
    ),
    (
        "wrong address",
        "[decoder.B]\nfirst_address = 101",
        "B1 still",
    ),
    (
        "still at its default block",
        "[decoder.B]\ntaught = false",
        "B1 still",
    ),
    (
        "four up",
        "[decoder.A]\naddress_offset = 4",
        "A1 still, A2 still, A3 still",
    ),
    (
        "four down",
        "[decoder.A]\naddress_offset = -4",
        "A1 still, A2 still, A3 still",
    ),
    (
        "coil for straight open",
        "[turnout.A1]\nstraight_coil = \"open\"",
        "A1 one-way",
    ),
    (
        "coil for diverging open",
        "[turnout.A1]\ndiverging_coil = \"open\"",
        "A1 one-way",
    ),
    ("output dead", "[turnout.A1]\noutput = \"dead\"", "A1 still"),
    (
        "half of an output dead",
        "[turnout.A1]\noutput = \"half-0-dead\"",
        "A1 one-way",
    ),
    (
        "decoder without feed",
        "[decoder.A]\nfeed = false",
        "A1 still, A2 still, A3 still",
    ),
    (
        "leads of two turnouts exchanged",
        "[turnout.A1]\nexchanged_with = \"A2\"",
        "A1 stray, A2 stray",
    ),
    (
        "two decoders at one address",
        "[decoder.B]\nfirst_address = 9",
        "A1 stray, B1 still",
    ),
    ("blades stiff", "[turnout.A1]\nfriction = 1.5", "A1 still"),
    (
        "blades stiff one way",
        "[turnout.A1]\nfriction_to_diverging = 1.5",
        "A1 one-way",
    ),
    (
        "blades stop short",
        "[turnout.A1]\nblades_stop_at = 0.8",
        "A1 partial",
    ),
    ("linkage off", "[turnout.A1]\nlinkage = \"off\"", "A1 still"),
    (
        "pulse too short",
        "[decoder.B]\npulse_ms = 4",
        "B1 partial|still",
    ),
    (
        "supply too weak for two at once",
        "[supply.bench]\ninternal_ohms = 6.5",
        "A3 still|partial",
    ),
    (
        "supply tripping",
        "[supply.bench]\ntrip_amps = 0.5\ntrip_ms = 5",
        "A1 still, A2 still, A3 still, B1 still",
    ),
    (
        "capacitor not recharged",
        "[supply.store]\ncapacitor_charge_ohms = 1500",
        "C1 partial|one-way|still",
    ),
    (
        "decoder in extended mode",
        "[decoder.B]\nformat = \"extended\"",
        "B1 still",
    ),
    (
        "decoder that needs the release",
        "[decoder.B]\npulse_ms = 0",
        "",
    ),
    (
        "output stuck active",
        "[turnout.A1]\noutput = \"half-1-stuck\"",
        "A1 one-way|still",
    ),
    (
        "position contact inverted",
        "[turnout.A1]\ncontact = \"inverted\"",
        "",
    ),
    (
        "position contact dead",
        "[turnout.A1]\ncontact = \"dead\"",
        "",
    ),
    (
        "noisy rails at one decoder",
        "[decoder.B]\npacket_loss = 0.97",
        "B1 still|partial|one-way",
    ),
];
