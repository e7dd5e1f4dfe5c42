use serde::Deserialize;

use super::*;

const REFERENCE: &str = include_str!("../../fixtures/statistics/clopper-pearson.toml");

#[derive(Deserialize)]
struct Reference {
    library: String,
    case: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    failures: u32,
    trials: u32,
    #[serde(flatten)]
    bounds: Bounds,
}

fn assert_near(found: f64, wanted: f64, what: &str) {
    assert_nearer(found, wanted, 1e-9, what);
}

/// `part`: how much of the wanted number they may be apart.
fn assert_nearer(found: f64, wanted: f64, part: f64, what: &str) {
    let apart = (found - wanted).abs();
    assert!(
        apart <= part * wanted.abs() + 1e-13,
        "{what}: {found} instead of {wanted}"
    );
}

#[test]
fn a_general_statistics_library_has_the_same_bounds() {
    let reference: Reference = toml::from_str(REFERENCE).unwrap();
    assert!(reference.library.starts_with("SciPy"));
    assert!(reference.case.len() > 20);
    for Case {
        failures,
        trials,
        bounds: wanted,
    } in reference.case
    {
        let found = bounds(failures, trials).unwrap();
        let what = format!("{failures} of {trials}");
        // The logarithm of the gamma function loses digits as its argument grows; two are shown.
        let part = if trials > 2000 { 5e-6 } else { 1e-9 };
        for (found, wanted) in [
            (found.at_most, wanted.at_most),
            (found.low, wanted.low),
            (found.high, wanted.high),
        ] {
            assert_nearer(found, wanted, part, &what);
        }
    }
}

/// Rule of three: B. D. Jovanovic and P. S. Levy, "A look at the rule of three", The American
/// Statistician 51 (1997) 137-139: without a failure in n trials the 95 % bound is about 3/n, and
/// exactly 1 - 0.05^(1/n).
#[test]
fn without_a_failure_the_bound_is_exact_and_near_three_over_n() {
    for trials in [1_u32, 3, 5, 10, 20, 30, 60, 100, 300, 3000] {
        let n = f64::from(trials);
        let found = bounds(0, trials).unwrap();
        assert_near(found.at_most, 1.0 - 0.05_f64.powf(1.0 / n), "at most");
        assert!(found.low.abs() < f64::EPSILON);
        if trials >= 30 {
            assert!((found.at_most * n - 3.0).abs() < 0.15, "{trials}");
        }
    }
}

/// Derived from the bound in closed form, and the rule of three's own table (second-hand):
/// percent after n throws without a failure.
#[test]
fn the_table_for_no_failure() {
    for (trials, percent) in [
        (3, "63"),
        (5, "45"),
        (10, "26"),
        (20, "14"),
        (30, "10"),
        (60, "5"),
        (100, "3"),
        (300, "1"),
    ] {
        let found = bounds(0, trials).unwrap().at_most * 100.0;
        assert_eq!(format!("{found:.0}"), percent, "{trials}");
    }
}

/// How many throws without a failure it takes to claim a rate at 95 % (derived:
/// n = ln 0.05 / ln(1 - p), rounded up).
#[test]
fn throws_needed_for_a_claim() {
    for (rate, needed) in [
        (0.1, 29),
        (0.05, 59),
        (0.02, 149),
        (0.01, 299),
        (0.005, 598),
    ] {
        assert!(bounds(0, needed).unwrap().at_most <= rate);
        assert!(bounds(0, needed - 1).unwrap().at_most > rate);
    }
}

/// Two-sided 95 % bounds as printed in tables of the binomial, in percent; from memory of the
/// usual tables (for one: Documenta Geigy, Scientific Tables, "Exact confidence limits for p").
#[test]
fn bounds_as_they_stand_in_printed_tables() {
    for (failures, trials, low, high) in [
        (0, 10, "0.00", "30.85"),
        (1, 10, "0.25", "44.50"),
        (2, 10, "2.52", "55.61"),
        (5, 10, "18.71", "81.29"),
        (1, 20, "0.13", "24.87"),
        (1, 100, "0.03", "5.45"),
    ] {
        let found = bounds(failures, trials).unwrap();
        let percent = |part: f64| format!("{:.2}", part * 100.0);
        assert_eq!(percent(found.low), low, "{failures} of {trials}");
        assert_eq!(percent(found.high), high, "{failures} of {trials}");
    }
}

/// What makes them bounds: the chance of what was seen, or less, is 5 % at the bound.
#[test]
fn the_chance_at_the_bound_is_the_one_that_was_asked_for() {
    for (failures, trials) in [(0_u32, 7_u32), (1, 20), (3, 50), (8, 40)] {
        let rate = bounds(failures, trials).unwrap().at_most;
        let mut chance = 0.0;
        let mut ways = 1.0;
        for k in 0..=failures {
            if k > 0 {
                ways *= f64::from(trials - k + 1) / f64::from(k);
            }
            let hit = rate.powf(f64::from(k));
            chance += ways * hit * (1.0 - rate).powf(f64::from(trials - k));
        }
        assert_near(chance, 0.05, "chance");
    }
}

#[test]
fn no_trial_gives_no_bound() {
    assert_eq!(bounds(0, 0), None);
    assert_eq!(bounds(5, 3), bounds(3, 3));
}
