//! What a plan can say of turnouts with several drives, and what it can't.

use throwproof_protocol::address::{PairBit, Position};

use crate::plan::{Id, Plan};
use crate::toml_reader::Fault;

const S: Position = Position::Straight;
const D: Position = Position::Diverging;

/// A plan with one turnout of that shape and those lines.
fn text(shape: &str, lines: &str) -> String {
    format!(
        "[layout]\nname = \"Yard\"\n\n[decoder.Y1]\noutputs = 8\nfirst_address = 9\n\n\
         [[turnout]]\nid = \"T1\"\nshape = \"{shape}\"\n{lines}\n"
    )
}

fn plan(shape: &str, lines: &str) -> Plan {
    Plan::from_text("plan.toml", &text(shape, lines)).unwrap_or_else(|problems| {
        let told: Vec<_> = problems
            .list
            .iter()
            .map(|one| one.fault.to_string())
            .collect();
        panic!("{told:?}")
    })
}

/// Code, message and mend of the only problem, and the line that it is on, of those given.
fn wrong(shape: &str, lines: &str) -> (&'static str, String, u32) {
    let problems = Plan::from_text("plan.toml", &text(shape, lines)).unwrap_err();
    let told: Vec<_> = problems
        .list
        .iter()
        .map(|one| one.fault.to_string())
        .collect();
    assert_eq!(problems.list.len(), 1, "{told:?}");
    let problem = &problems.list[0];
    let line = problems.file.line(problem.at.start);
    let mend = if let Fault::Meaning { mend, .. } = &problem.fault {
        mend.clone()
    } else {
        String::new()
    };
    let first_line = 11;
    (
        problem.fault.code(),
        format!("{} / {mend}", problem.fault),
        (line + 1).saturating_sub(first_line),
    )
}

fn names(plan: &Plan) -> Vec<String> {
    let positions = plan.turnouts[0].positions();
    positions.iter().map(ToString::to_string).collect()
}

#[test]
fn shapes_have_their_usual_positions() {
    let three_way = plan("three-way", "decoder = \"Y1\"\noutputs = [3, 4]");
    assert_eq!(names(&three_way), ["straight", "left", "right"]);
    let turnout = &three_way.turnouts[0];
    assert_eq!(turnout.rest_name(), Id::new("straight"));
    assert_eq!(
        turnout
            .addresses()
            .iter()
            .map(|one| one.get())
            .collect::<Vec<_>>(),
        [11, 12]
    );
    let joint = turnout.joint.as_ref().unwrap();
    assert_eq!(joint.way_to("left").unwrap(), [(1, S), (0, D)]);
    assert!(!joint.free_passage);

    let slip = plan("double-slip", "addresses = [9, 30]");
    assert_eq!(names(&slip), ["straight", "across", "left", "right"]);
    let drives = &slip.turnouts[0].joint.as_ref().unwrap().drives;
    assert_eq!(drives[0].output.unwrap().number, 1);
    assert_eq!(drives[1].output, None, "no decoder has that address");

    let scissors = plan("scissors", "addresses = [9, 10]");
    assert_eq!(
        names(&scissors),
        ["straight", "first-diagonal", "second-diagonal"]
    );
    assert_eq!(scissors.turnouts[0].drives, 2, "two motors a diagonal");

    let crossover = plan("crossover", "addresses = [9, 10]\nrest = \"diverging\"");
    assert_eq!(names(&crossover), ["straight", "diverging"]);
    assert_eq!(crossover.turnouts[0].rest_name(), Id::new("diverging"));
    assert!(crossover.turnouts[0].joint.as_ref().unwrap().free_passage);
}

#[test]
fn a_plan_can_name_its_own_positions_and_senses() {
    let own = plan(
        "single-slip",
        "addresses = [9, 10]\nstraight_outputs = [1, 0]\nrest = \"quay\"\n\
         positions = { quay = [\"straight\", \"straight\"], dairy = [\"straight\", \"diverging\"], \
         slate = [\"diverging\", \"diverging\"] }",
    );
    assert_eq!(
        names(&own),
        ["quay", "dairy", "slate"],
        "in the order of the plan"
    );
    let joint = own.turnouts[0].joint.as_ref().unwrap();
    assert_eq!(joint.drives[1].straight_bit, PairBit::Zero);
    assert_eq!(joint.way_to("slate").unwrap(), [(1, D), (0, D)]);
    assert_eq!(joint.way_to("quay").unwrap(), [(0, S), (1, S)]);
    assert_eq!(joint.name_of(&[D, S]), None);
}

#[test]
fn a_simple_turnout_is_as_it_was() {
    let simple = plan("three-way", "address = 9");
    assert_eq!(simple.turnouts[0].joint, None);
    assert_eq!(names(&simple), ["straight", "diverging"]);
}

#[test]
fn what_is_wrong_is_told_with_its_line_and_how_to_mend_it() {
    let (code, told, line) = wrong("three-way", "addresses = [9]");
    assert_eq!((code, line), ("number-of-drives", 1));
    assert!(
        told.contains("2 to 4 drives") && told.contains("write `address`"),
        "{told}"
    );

    let (code, told, line) = wrong("crossover", "addresses = [9, 9]");
    assert_eq!((code, line), ("drives-alike", 1));
    assert!(told.contains("drives = 2"), "{told}");

    let (code, told, _) = wrong("single-slip", "addresses = [9, 10]");
    assert_eq!(code, "no-positions");
    assert!(
        told.contains("how it is built") && told.contains("slip = ["),
        "{told}"
    );

    let two = |positions: &str| format!("addresses = [9, 10]\npositions = {{ {positions} }}");
    let a = "a = [\"straight\", \"straight\"]";
    let b = "b = [\"diverging\", \"diverging\"]";

    let (code, told, line) = wrong("wye", &two(&format!("{a}, b = [\"diverging\"]")));
    assert_eq!((code, line), ("number-of-drives", 2));
    assert!(
        told.contains("position `b` says how 1 drives lie, and there are 2"),
        "{told}"
    );

    let (code, told, _) = wrong(
        "wye",
        &two(&format!("{a}, b = [\"divergin\", \"straight\"]")),
    );
    assert_eq!(code, "unknown-choice");
    assert!(told.contains("did you mean \"diverging\"?"), "{told}");

    let (code, told, line) = wrong(
        "wye",
        &two(&format!("{a}, {b}, c = [\"straight\", \"straight\"]")),
    );
    assert_eq!((code, line), ("positions-alike", 2));
    assert!(told.contains("`a` and `c`"), "{told}");

    let (code, told, _) = wrong("three-way", &two(&format!("{a}, {b}")));
    assert_eq!(code, "no-way-between");
    assert!(
        told.contains("position `a`") && told.contains("free_passage = true"),
        "{told}"
    );
    plan(
        "three-way",
        &(two(&format!("{a}, {b}")) + "\nfree_passage = true"),
    );

    let (code, told, _) = wrong(
        "wye",
        &two(&format!("{a}, b = [\"diverging\", \"straight\"]")),
    );
    assert_eq!(code, "drive-never-moves");
    assert!(told.contains("drive 2"), "{told}");

    let (code, told, line) = wrong("three-way", "addresses = [9, 10]\nrest = \"leftt\"");
    assert_eq!((code, line), ("unknown-choice", 2));
    assert!(told.contains("did you mean \"left\"?"), "{told}");

    for name in ["no-movement", "between", "another", "7", "\"a b\""] {
        let (code, told, _) = wrong(
            "wye",
            &two(&format!("{a}, {name} = [\"diverging\", \"diverging\"]")),
        );
        assert_eq!(code, "bad-name", "{told}");
    }

    let (code, told, _) = wrong("three-way", "addresses = [9, 10]\nstraight_output = 0");
    assert_eq!(code, "one-drive-or-several");
    assert!(told.contains("straight_output"), "{told}");

    let (code, told, _) = wrong(
        "three-way",
        "addresses = [9, 10]\nstraight_outputs = [1, 2]",
    );
    assert_eq!(code, "out-of-range", "{told}");
}

#[test]
fn each_drive_is_looked_up_and_looked_at_by_itself() {
    let (code, told, line) = wrong("three-way", "decoder = \"Y1\"\noutputs = [8, 9]");
    assert_eq!((code, line), ("no-such-output", 2), "{told}");
    let (code, told, line) = wrong("three-way", "addresses = [9, 2049]");
    assert_eq!((code, line), ("address-out-of-range", 1), "{told}");
    let more = "addresses = [9, 10]\n[[turnout]]\nid = \"T2\"\nshape = \"left\"\naddress = 10";
    let (code, told, _) = wrong("three-way", more);
    assert_eq!(code, "output-used-twice");
    assert!(
        told.contains("T1 (line 11)") && told.contains("T2 (line 15)"),
        "{told}"
    );
}
