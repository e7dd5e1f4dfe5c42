//! A plan of every keyed address there is, on decoders of eight outputs.

use std::fmt::Write as _;

/// The plan's text: a turnout at each of the addresses 1 to 2,048.
pub(crate) fn big_plan(numbering: &str) -> String {
    let mut text = format!("[layout]\nname = \"Every address\"\nnumbering = \"{numbering}\"\n");
    text.push_str("[supply.shed]\nkind = \"separate\"\nvolts = 16.0\namps = 4\n");
    for decoder in 0..256 {
        let first = decoder * 8 + 1;
        write!(
            text,
            "\n[decoder.D{decoder}]\noutputs = 8\nfirst_address = {first}\nsupply = \"shed\"\n\
             output_kind = \"pulse\"\npulse_ms = 150\nlearns = \"first-command\"\n"
        )
        .expect("a string takes it");
    }
    for turnout in 0..2048 {
        let (decoder, output) = (turnout / 8, turnout % 8 + 1);
        write!(
            text,
            "\n[[turnout]]\nid = \"T{}\"\nplace = \"Road {turnout}\"\nshape = \"left\"\n\
             decoder = \"D{decoder}\"\noutput = {output}\ndrive = \"twin-coil\"\namps = 0.8\n\
             straight_output = 1\nposition_reports = false\n",
            turnout + 1
        )
        .expect("a string takes it");
    }
    text
}
