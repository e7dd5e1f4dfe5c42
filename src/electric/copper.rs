//! Resistance of copper wire.

use crate::plan::{Gauge, Wire};

/// Resistivity of annealed copper at 20 °C, ohm square millimetres per metre: 1/58, the
/// International Annealed Copper Standard (IEC 60028, second-hand).
pub const RESISTIVITY: f64 = 1.0 / 58.0;

/// Diameter of No. 36, millimetres: 0.005 inch (ASTM B258, second-hand).
const DIAMETER_OF_36: f64 = 0.127;

/// Ratio of the diameters of No. 0000 and No. 36, 39 steps apart (ASTM B258, second-hand).
const RATIO: f64 = 92.0;

/// Diameter of a solid wire of that American gauge, millimetres (ASTM B258, second-hand).
pub fn awg_diameter(awg: u8) -> f64 {
    DIAMETER_OF_36 * libm::pow(RATIO, (36.0 - f64::from(awg)) / 39.0)
}

/// Cross-section, square millimetres.
pub fn square_millimetres(gauge: Gauge) -> f64 {
    match gauge {
        Gauge::SquareMillimetres(area) => area,
        Gauge::Awg(awg) => {
            let diameter = awg_diameter(awg);
            std::f64::consts::FRAC_PI_4 * diameter * diameter
        }
    }
}

/// Resistance of one conductor at 20 °C, ohms per metre.
pub fn ohms_per_metre(gauge: Gauge) -> f64 {
    RESISTIVITY / square_millimetres(gauge)
}

/// Resistance out and back, ohms.
pub fn loop_ohms(wire: Wire) -> f64 {
    2.0 * wire.metres * ohms_per_metre(wire.gauge)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// American gauge, square millimetres, ohms per 1000 feet: as wire tables print them; common
    /// practice, second-hand.
    const AWG: &[(u8, f64, f64)] = &[
        (10, 5.26, 1.00),
        (12, 3.31, 1.59),
        (14, 2.08, 2.53),
        (16, 1.31, 4.02),
        (18, 0.82, 6.38),
        (20, 0.52, 10.2),
        (22, 0.33, 16.1),
        (24, 0.20, 25.7),
        (26, 0.13, 40.8),
    ];

    /// Square millimetres and milliohms per metre of copper at 20 °C; derived tables.
    const METRIC: &[(f64, f64)] = &[
        (4.0, 4.3),
        (2.5, 6.9),
        (1.5, 11.5),
        (1.0, 17.2),
        (0.75, 23.0),
        (0.5, 34.5),
        (0.25, 69.0),
        (0.22, 78.0),
        (0.14, 123.0),
    ];

    /// IEC 60228 table 3, class 5, plain copper at 20 °C: the most a flexible conductor of that
    /// size may have, ohms per kilometre; from memory.
    const CLASS_5: &[(f64, f64)] = &[
        (0.5, 39.0),
        (0.75, 26.0),
        (1.0, 19.5),
        (1.5, 13.3),
        (2.5, 7.98),
        (4.0, 4.95),
    ];

    /// Within a fiftieth, or half of the last printed digit.
    fn near(found: f64, printed: f64, digit: f64) {
        let off = (found - printed).abs();
        assert!(
            off <= (0.02 * printed).max(digit / 2.0),
            "{found} instead of {printed}"
        );
    }

    #[test]
    fn american_gauges_are_as_tables_print_them() {
        for (awg, area, per_1000_feet) in AWG {
            near(square_millimetres(Gauge::Awg(*awg)), *area, 0.01);
            let ohms = ohms_per_metre(Gauge::Awg(*awg)) * 304.8;
            near(ohms, *per_1000_feet, 0.01);
        }
    }

    #[test]
    fn metric_sizes_are_as_tables_print_them() {
        for (area, milliohms) in METRIC {
            let ohms = ohms_per_metre(Gauge::SquareMillimetres(*area));
            near(ohms * 1000.0, *milliohms, 0.1);
        }
    }

    #[test]
    fn no_wire_is_worse_than_its_class_allows() {
        for (area, most) in CLASS_5 {
            let ohms = ohms_per_metre(Gauge::SquareMillimetres(*area)) * 1000.0;
            assert!(ohms <= *most, "{area}: {ohms}");
            // The class allows for stranding and tolerance, not for a size less.
            assert!(ohms >= *most * 0.85, "{area}: {ohms}");
        }
    }

    // clause: ASTM B258, second-hand: three steps of gauge double the resistance, ten make ten.
    #[test]
    fn three_gauges_double_and_ten_make_ten() {
        let ohms = |awg| ohms_per_metre(Gauge::Awg(awg));
        near(ohms(23) / ohms(20), 2.0, 0.02);
        near(ohms(30) / ohms(20), 10.0, 0.3);
    }

    // derived: a worked case of practice: 10 m of 0.22 mm² out and back are 1.57 ohms.
    #[test]
    fn ten_metres_out_and_back() {
        let wire = Wire {
            metres: 10.0,
            gauge: Gauge::SquareMillimetres(0.22),
        };
        near(loop_ohms(wire), 1.57, 0.01);
    }
}
