//! Do the values of a car file belong to one car? A spring rate in another unit, a motion ratio upside down and a slip of the
//! pen in a load index are within the bounds of single values. No fault: there may be such a car.

use std::f64::consts::TAU;

use super::car::{Car, Spring};

/// Ratio of the natural frequencies of the two axles on their springs from which one of them is odd, and frequencies, Hz,
/// between which all cars lie (common practice, no source: racing cars are at 1.5 to 7 Hz, their axles within a third of
/// one another; lb/in read as N/mm is a factor of 2.4, a motion ratio of 0.7 upside down one of 2).
const APART: f64 = 1.6;
const CARS: std::ops::RangeInclusive<f64> = 0.8..=9.0;

/// Load indices that the tyres of the two axles are apart by from which one of them is odd: a third more load (ETRTO Standards
/// Manual, from memory), where racing cars carry a sixth more on one axle (common practice, no source).
const INDICES_APART: u16 = 10;

/// What is odd about the car, in words.
pub fn odd_car(car: &Car) -> Vec<String> {
    odd_stiffness(car).into_iter().chain(odd_tyres(car)).collect()
}

fn odd_tyres(car: &Car) -> Option<String> {
    let tyres = car.tyres.as_ref()?;
    let (front, rear) = (tyres.front.load_index.value, tyres.rear.load_index.value);
    (front.abs_diff(rear) > INDICES_APART).then(|| {
        format!(
            "car file: load index {front} in front and {rear} behind: is one a slip of the pen? What the tyres are held \
             against, and what is said of their margin, rests on it"
        )
    })
}

fn odd_stiffness(car: &Car) -> Option<String> {
    let (front, rear) = (frequency(car, [0, 1])?, frequency(car, [2, 3])?);
    let said =
        format!("car file: on its springs the car would swing at {front:.1} Hz in front and {rear:.1} Hz behind");
    let look = "are `springs` and `motion_ratio` (damper travel per wheel travel) of both axles in the right unit and way up? \
                The downforce of an axle is off by as much as its stiffness is";
    if front.max(rear) > APART * front.min(rear) {
        Some(format!("{said}, which few cars do: {look}"))
    } else if !(CARS.contains(&front) && CARS.contains(&rear)) {
        Some(format!("{said}, as no racing car does: {look}"))
    } else {
        None
    }
}

/// Natural frequency of the weight on two wheels and their springs, Hz: √(k/m)/2π with k the rate at the wheel, motion ratio
/// squared times that at the damper.
fn frequency(car: &Car, corners: [usize; 2]) -> Option<f64> {
    let weights = &car.corner_weights;
    let weights = [&weights.fl, &weights.fr, &weights.rl, &weights.rr];
    let (springs, ratios) = (car.springs.corners(), car.motion_ratio.corners());
    let (mut rate, mut mass) = (0.0, 0.0);
    for c in corners {
        rate += rate_of(springs[c]?)? * ratios[c]?.get().powi(2);
        mass += weights[c].get();
    }
    Some((rate / mass).sqrt() / TAU).filter(|f| f.is_finite())
}

/// Rate at the damper, N/m; of a table its softest stretch, which is the spring without bump stop.
fn rate_of(spring: &Spring) -> Option<f64> {
    match spring {
        Spring::Rate(rate) => Some(rate.get()),
        Spring::Table(points) => {
            let slope = |p: &[super::car::SpringPoint]| {
                (p[1].force.get() - p[0].force.get()) / (p[1].travel.get() - p[0].travel.get())
            };
            points.windows(2).map(slope).filter(|k| *k > 0.0).reduce(f64::min)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn car(front: &str, rear: &str, ratio: &str) -> Car {
        let text = format!(
            "name: c\nmass: 970 kg\nwheelbase: 2.5 m\ncg_height: 0.4 m\ntrack: {{ front: 1.5 m, rear: 1.5 m }}\n\
             corner_weights: {{ fl: 250 kg, fr: 250 kg, rl: 250 kg, rr: 250 kg }}\n\
             springs: {{ front: {front}, rear: {rear} }}\nmotion_ratio: {ratio}\n\
             tyre_radius: {{ front: 300 mm, rear: 300 mm }}\nrolling_resistance: 0.013\n"
        );
        crate::config::from_text(&text)
    }

    #[test]
    fn a_unit_and_a_ratio_upside_down_are_seen() {
        // 100 N/mm at a ratio of 0.7 carry 250 kg: √(49 000/250)/2π = 2.228 Hz.
        let usual = car("{ rate: 100 N/mm }", "{ rate: 110 N/mm }", "{ front: 0.7, rear: 0.75 }");
        assert!((frequency(&usual, [0, 1]).unwrap() - 2.2282).abs() < 1e-3);
        assert_eq!(odd_stiffness(&usual), None);
        let said = |front, rear, ratio| odd_stiffness(&car(front, rear, ratio)).unwrap_or_default();
        // 628 lb/in is 110 N/mm.
        assert!(
            said("{ rate: 100 N/mm }", "{ rate: 628 N/mm }", "{ front: 0.7, rear: 0.75 }").contains("6.0 Hz behind")
        );
        assert!(said("{ rate: 100 N/mm }", "{ rate: 110 N/mm }", "{ front: 0.7, rear: 1.33 }").contains("few cars"));
        assert!(said("{ rate: 900 N/mm }", "{ rate: 900 N/mm }", "{ front: 1, rear: 1 }").contains("no racing car"));
    }

    #[test]
    fn load_indices_far_apart_are_said() {
        let tyres = |front: u16| {
            let tyre = |index: u16| format!("{{ load_index: {index}, speed_symbol: W }}");
            let mut car = car("{ rate: 100 N/mm }", "{ rate: 110 N/mm }", "{ front: 0.7, rear: 0.75 }");
            car.tyres = Some(crate::config::from_text(&format!("{{ front: {}, rear: {} }}", tyre(front), tyre(94))));
            odd_car(&car)
        };
        assert_eq!(tyres(91), [""; 0]);
        assert!(tyres(130)[0].contains("load index 130 in front and 94 behind"));
    }

    #[test]
    fn a_table_counts_without_its_bump_stop() {
        let table = "{ table: [{ travel: 0 mm, force: 0 N }, { travel: 20 mm, force: 2000 N }, { travel: 25 mm, force: 6000 N }] }";
        let with = car(table, "{ rate: 110 N/mm }", "{ front: 0.7, rear: 0.75 }");
        assert!((frequency(&with, [0, 1]).unwrap() - 2.2282).abs() < 1e-3);
    }
}
