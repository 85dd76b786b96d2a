//! Tyre load capacity by load index and speed symbol. An estimate for a margin, never a clearance:
//! the tyre maker's own figures, pressures and the series' rules decide.

use crate::units::G;

/// kg by load index, from index 60 on. The series of ISO 4000-1 and the ETRTO standards manual; taken
/// from memory and found the same in several independent public tables, the standards themselves were
/// not read.
const FIRST_INDEX: u16 = 60;
const CAPACITY_KG: [f64; 71] = [
    250.0, 257.0, 265.0, 272.0, 280.0, 290.0, 300.0, 307.0, 315.0, 325.0, // 60
    335.0, 345.0, 355.0, 365.0, 375.0, 387.0, 400.0, 412.0, 425.0, 437.0, // 70
    450.0, 462.0, 475.0, 487.0, 500.0, 515.0, 530.0, 545.0, 560.0, 580.0, // 80
    600.0, 615.0, 630.0, 650.0, 670.0, 690.0, 710.0, 730.0, 750.0, 775.0, // 90
    800.0, 825.0, 850.0, 875.0, 900.0, 925.0, 950.0, 975.0, 1000.0, 1030.0, // 100
    1060.0, 1090.0, 1120.0, 1150.0, 1180.0, 1215.0, 1250.0, 1285.0, 1320.0, 1360.0, // 110
    1400.0, 1450.0, 1500.0, 1550.0, 1600.0, 1650.0, 1700.0, 1750.0, 1800.0, 1850.0, // 120
    1900.0, // 130
];

/// Mass that one tyre of this load index may carry, kg; `None` outside 60 to 130.
pub fn load_index_kg(index: u16) -> Option<f64> {
    CAPACITY_KG.get(usize::from(index.checked_sub(FIRST_INDEX)?)).copied()
}

/// Fastest speed of a speed symbol, and how the capacity falls before it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Symbol {
    name: &'static str,
    /// km/h up to which the capacity is whole.
    whole_to: f64,
    /// km/h of the symbol.
    top: f64,
    /// Share of the capacity left at `top`.
    at_top: f64,
}

const fn symbol(name: &'static str, whole_to: f64, top: f64, at_top: f64) -> Symbol {
    Symbol { name, whole_to, top, at_top }
}

/// Speeds: several public tables that agree. The fall for V and W: one published page. The fall for Y:
/// from memory.
const SYMBOLS: [Symbol; 13] = [
    symbol("L", 120.0, 120.0, 1.0),
    symbol("M", 130.0, 130.0, 1.0),
    symbol("N", 140.0, 140.0, 1.0),
    symbol("P", 150.0, 150.0, 1.0),
    symbol("Q", 160.0, 160.0, 1.0),
    symbol("R", 170.0, 170.0, 1.0),
    symbol("S", 180.0, 180.0, 1.0),
    symbol("T", 190.0, 190.0, 1.0),
    symbol("U", 200.0, 200.0, 1.0),
    symbol("H", 210.0, 210.0, 1.0),
    symbol("V", 210.0, 240.0, 0.91),
    symbol("W", 240.0, 270.0, 0.85),
    symbol("Y", 270.0, 300.0, 0.85),
];

const KMH: f64 = 1.0 / 3.6;

fn find(name: &str) -> Option<Symbol> {
    let name = name.trim();
    SYMBOLS.iter().copied().find(|s| s.name.eq_ignore_ascii_case(name))
}

/// Speed that the symbol stands for, m/s; `None` for a symbol that is not known.
pub fn symbol_speed(name: &str) -> Option<f64> {
    find(name).map(|s| s.top * KMH)
}

/// Share of its load index that a tyre may carry at a speed in m/s, falling in a straight line above
/// the speed where it is whole; `None` for an unknown symbol, and above the symbol's own speed, where
/// nothing is stated.
pub fn speed_factor(name: &str, speed: f64) -> Option<f64> {
    let s = find(name)?;
    let v = speed.abs() / KMH;
    // A hair of rounding in m/s must not put 240 km/h above 240 km/h.
    if !v.is_finite() || v > s.top + 1e-6 {
        return None;
    }
    let over = (v - s.whole_to).max(0.0);
    Some(if over == 0.0 { 1.0 } else { 1.0 - (1.0 - s.at_top) * over / (s.top - s.whole_to).max(1e-6) })
        .map(|f: f64| f.clamp(s.at_top, 1.0))
}

/// Load that one tyre may carry at a speed in m/s, N; `None` where index, symbol or speed lie outside
/// what is stated.
pub fn capacity(index: u16, symbol: &str, speed: f64) -> Option<f64> {
    Some(load_index_kg(index)? * G * speed_factor(symbol, speed)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn load_indices() {
        // Five public tables agree; ISO 4000-1 and ETRTO were not read.
        for (index, kg) in [
            (75, 387.0),
            (80, 450.0),
            (84, 500.0),
            (86, 530.0),
            (88, 560.0),
            (91, 615.0),
            (94, 670.0),
            (96, 710.0),
            (100, 800.0),
            (105, 925.0),
            (112, 1120.0),
            (120, 1400.0),
        ] {
            assert_eq!(load_index_kg(index), Some(kg), "load index {index}");
        }
        assert_eq!((load_index_kg(60), load_index_kg(130)), (Some(250.0), Some(1900.0)));
        for unknown in [0, 59, 131, u16::MAX] {
            assert_eq!(load_index_kg(unknown), None);
        }
    }

    #[test]
    fn the_series_is_geometric() {
        // Preferred numbers, a factor of 10^(1/80) = 2.9 % per index, rounded: never off by a whole step, so
        // that a slip of one row would show.
        for (i, kg) in CAPACITY_KG.iter().enumerate() {
            let smooth = 250.0 * 10f64.powf(i as f64 / 80.0);
            assert!((kg / smooth - 1.0).abs() < 0.02, "load index {}: {kg} kg, series {smooth}", 60 + i);
        }
        assert!(CAPACITY_KG.windows(2).all(|w| w[1] > w[0]));
    }

    #[test]
    fn speed_symbols() {
        // km/h, public tables.
        for (s, top) in [("T", 190.0), ("U", 200.0), ("H", 210.0), ("V", 240.0), ("W", 270.0), ("Y", 300.0)] {
            assert!((symbol_speed(s).unwrap() * 3.6 - top).abs() < 1e-9);
            assert!(speed_factor(s, top / 3.6).is_some() && speed_factor(s, (top + 0.1) / 3.6).is_none());
        }
        assert_eq!(symbol_speed("ZZ"), None);
        assert_eq!(speed_factor("V", f64::NAN), None);
    }

    #[test]
    fn capacity_falls_in_a_straight_line() {
        // Published page: V whole to 210 km/h, 91 % at 240; W whole to 240, 85 % at 270; straight between.
        for (s, v, share) in [
            ("V", 100.0, 1.0),
            ("V", 210.0, 1.0),
            ("V", 225.0, 0.955),
            ("V", 240.0, 0.91),
            ("W", 240.0, 1.0),
            ("W", 255.0, 0.925),
            ("w", 270.0, 0.85),
        ] {
            assert!((speed_factor(s, v / 3.6).unwrap() - share).abs() < 1e-9, "{s} at {v} km/h");
        }
        // 615 kg · 9.80665 m/s² · 0.91
        assert!((capacity(91, "V", 240.0 / 3.6).unwrap() - 5_488.291_672_5).abs() < 1e-6);
        assert_eq!(capacity(91, "V", 241.0 / 3.6), None);
        assert_eq!(capacity(20, "V", 30.0), None);
    }
}
