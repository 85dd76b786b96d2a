//! Is this a car? Bounds are wide: they catch a wrong unit, a slipped digit and a swapped value, not an
//! unusual design. All bounds are common practice, no source.

use super::{Findings, short};
use crate::config::car::{Car, Sides, Spring, SpringPoint, Tyre};
use crate::located::{Located, Spot};
use crate::units::{Dim, Quantity, Ratio};

/// Corner weights may differ from the mass by this share: scales and fuel gauges are not better.
const WEIGHING: f64 = 0.03;

/// Speed symbols that a tyre can carry.
pub const SPEED_SYMBOLS: &[&str] = &["L", "M", "N", "P", "Q", "R", "S", "T", "U", "H", "V", "W", "Y"];

/// Load indices that are known.
pub const LOAD_INDICES: std::ops::RangeInclusive<u16> = 60..=130;

/// Checks a car.
pub fn check(car: &Car, f: &mut Findings) {
    if car.name.trim().is_empty() {
        f.fault(Spot::default(), "`name` of the car is empty", "expected a name");
    }
    dimensions(car, f);
    weights(car, f);
    suspension(car, f);
    driveline(car, f);
    let shares = [("anti_dive", &car.anti_dive), ("anti_squat", &car.anti_squat)];
    for (key, share) in shares {
        f.within(&format!("`{key}`"), share, (-0.5, 1.5), "1");
    }
    // Steel wheels on rails roll at a thousandth; no tyre does (common practice, no source). None at all may be said.
    let least = if car.rolling_resistance.get() == 0.0 { 0.0 } else { 0.003 };
    f.within("`rolling_resistance`", &car.rolling_resistance, (least, 0.05), "1");
    if let Some(tyres) = &car.tyres {
        tyre("front", &tyres.front, f);
        tyre("rear", &tyres.rear, f);
    }
}

fn dimensions(car: &Car, f: &mut Findings) {
    f.within("`wheelbase`", &car.wheelbase, (1.5, 4.5), "m");
    let cg_known = f.within("`cg_height`", &car.cg_height, (0.05, 1.5), "m");
    if let Some(height) = &car.height
        && f.within("`height`", height, (0.3, 4.0), "m")
        && cg_known
        && car.cg_height.get() >= height.get()
    {
        f.fault_with_hint(
            car.cg_height.spot,
            "the centre of gravity lies above the roof",
            format!("{} m, but `height` is {} m", short(car.cg_height.get()), short(height.get())),
            "`cg_height` is measured from the ground; is one of the two in another unit?",
        );
    }
    let axles = [("track", &car.track, (0.8, 2.5)), ("tyre_radius", &car.tyre_radius, (0.15, 0.5))];
    for (key, lengths, range) in axles {
        f.within(&format!("`{key}` front"), &lengths.front, range, "m");
        f.within(&format!("`{key}` rear"), &lengths.rear, range, "m");
    }
}

fn weights(car: &Car, f: &mut Findings) {
    let c = &car.corner_weights;
    let mut good = f.within("`mass`", &car.mass, (100.0, 10_000.0), "kg");
    good &= f.within("`at_corner_weights`", &car.fuel.at_corner_weights, (0.0, 500.0), "kg");
    f.within("`front_share`", &car.fuel.front_share, (0.0, 1.0), "1");
    for (corner, weight) in [("fl", &c.fl), ("fr", &c.fr), ("rl", &c.rl), ("rr", &c.rr)] {
        good &= f.within(&format!("corner weight `{corner}`"), weight, (5.0, 4000.0), "kg");
    }
    let sum = c.fl.get() + c.fr.get() + c.rl.get() + c.rr.get();
    let whole = car.mass_with(car.fuel.at_corner_weights.get());
    if good && (sum - whole).abs() > WEIGHING * whole {
        f.fault_with_hint(
            c.fl.spot,
            format!("the corner weights sum to {} kg, but the car weighs {} kg", short(sum), short(whole)),
            "the four corner weights start here",
            "corner weights hold the driver and `fuel.at_corner_weights`; `mass` holds the driver and no fuel",
        );
    }
}

fn suspension(car: &Car, f: &mut Findings) {
    corners("springs", &car.springs, f);
    corners("motion_ratio", &car.motion_ratio, f);
    for (corner, ratio) in given(&car.motion_ratio) {
        motion_ratio(corner, ratio, f);
    }
    for (corner, spring) in given(&car.springs) {
        match spring {
            Spring::Rate(rate) => {
                f.within(&format!("spring rate `{corner}`"), rate, (5.0, 1000.0), "N/mm");
            }
            Spring::Table(points) => table(corner, points, f),
        }
    }
}

fn motion_ratio(corner: &str, ratio: &Located<Ratio>, f: &mut Findings) {
    if ratio.get() == 0.0 {
        f.fault_with_hint(
            ratio.spot,
            format!("motion ratio `{corner}` is zero"),
            "expected 0.2 to 3",
            "the motion ratio is damper travel per wheel travel; with zero the damper would see no load",
        );
    } else {
        f.within(&format!("motion ratio `{corner}`"), ratio, (0.2, 3.0), "1");
    }
}

/// Every value that is given, with the key it is given under.
fn given<T>(sides: &Sides<T>) -> impl Iterator<Item = (&'static str, &T)> {
    let all = [
        ("front", &sides.front),
        ("rear", &sides.rear),
        ("fl", &sides.fl),
        ("fr", &sides.fr),
        ("rl", &sides.rl),
        ("rr", &sides.rr),
    ];
    all.into_iter().filter_map(|(key, value)| value.as_ref().map(|v| (key, v)))
}

/// Each corner exactly once.
fn corners<T>(what: &str, sides: &Located<Sides<T>>, f: &mut Findings) {
    let all = [
        ("front left", "fl", "front", &sides.fl, &sides.front),
        ("front right", "fr", "front", &sides.fr, &sides.front),
        ("rear left", "rl", "rear", &sides.rl, &sides.rear),
        ("rear right", "rr", "rear", &sides.rr, &sides.rear),
    ];
    for (words, own, axle, single, both) in all {
        match (single.is_some(), both.is_some()) {
            (false, false) => f.fault(
                sides.spot,
                format!("`{what}` gives nothing for the {words} corner"),
                format!("expected a key `{own}`, or `{axle}` for both sides"),
            ),
            (true, true) => f.fault(
                sides.spot,
                format!("`{what}` gives the {words} corner twice"),
                format!("under `{own}` and under `{axle}`: keep one of them"),
            ),
            _ => {}
        }
    }
}

fn table(corner: &str, points: &Located<Vec<SpringPoint>>, f: &mut Findings) {
    if points.len() < 2 {
        let spot = points.first().map_or(points.spot, |p| p.travel.spot);
        f.fault(
            spot,
            format!("spring table `{corner}` has fewer than two points"),
            "expected points from droop to bump",
        );
    }
    for p in points.iter() {
        f.within(&format!("travel in spring table `{corner}`"), &p.travel, (-500.0, 500.0), "mm");
        f.within(&format!("force in spring table `{corner}`"), &p.force, (-50_000.0, 200_000.0), "N");
    }
    for pair in points.windows(2) {
        let [a, b] = pair else { continue };
        order(
            &format!("travel in spring table `{corner}`"),
            &a.travel,
            &b.travel,
            ("must rise from point to point", true),
            f,
        );
        order(
            &format!("force in spring table `{corner}`"),
            &a.force,
            &b.force,
            ("must not fall with travel", false),
            f,
        );
    }
}

/// Demands that `b` lies above `a`, or not below it.
fn order<D: Dim>(
    what: &str,
    a: &Located<Quantity<D>>,
    b: &Located<Quantity<D>>,
    (rule, strict): (&str, bool),
    f: &mut Findings,
) {
    if b.get() < a.get() || (strict && b.get() == a.get()) {
        let relation = if b.get() == a.get() { "the same as" } else { "less than" };
        f.fault(b.spot, format!("{what} {rule}"), format!("{relation} in the point before, line {}", a.spot.line));
    }
}

fn driveline(car: &Car, f: &mut Findings) {
    f.within("`rotating_mass_factor`", &car.rotating_mass_factor, (1.0, 1.3), "1");
    f.within("`driveline_efficiency`", &car.driveline_efficiency, (0.5, 1.0), "1");
    f.within("`coasting_loss`", &car.coasting_loss, (0.0, 2000.0), "N");
    if let Some(ratio) = &car.final_drive {
        f.within("`final_drive`", ratio, (0.5, 20.0), "1");
    }
    for (i, gear) in car.gears.iter().enumerate() {
        f.within(&format!("ratio of gear {}", i + 1), gear, (0.2, 20.0), "1");
    }
    for pair in car.gears.windows(2) {
        let [a, b] = pair else { continue };
        if b.get() >= a.get() {
            f.fault_with_hint(
                b.spot,
                "gear ratios must fall from gear to gear",
                format!("not less than {} before it", short(a.get())),
                "first gear first; the decimal mark is a point, for a comma parts two gears",
            );
            // A comma for a point makes many of one.
            return;
        }
    }
}

fn tyre(axle: &str, tyre: &Tyre, f: &mut Findings) {
    if !LOAD_INDICES.contains(&tyre.load_index) {
        let (low, high) = (LOAD_INDICES.start(), LOAD_INDICES.end());
        f.fault(
            tyre.load_index.spot,
            format!("load index {} of the {axle} tyre is not known", tyre.load_index.value),
            format!("expected {low} to {high}, as marked on the tyre"),
        );
    }
    if !SPEED_SYMBOLS.contains(&tyre.speed_symbol.as_str()) {
        f.fault(
            tyre.speed_symbol.spot,
            format!("speed symbol `{}` of the {axle} tyre is not known", tyre.speed_symbol.value),
            format!("expected one of {}", SPEED_SYMBOLS.join(", ")),
        );
    }
}
