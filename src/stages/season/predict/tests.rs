//! Predictions on windows whose truth is known.

use std::collections::BTreeSet;

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use super::balance::{Position, solve};
use super::forecast::{Ground, Remark, Wing, Wish};
use super::*;
use crate::stages::season::fit::tests::given;
use crate::stages::season::parts::model::PartsFit;
use crate::stages::season::parts::rows as part_rows;
use crate::stages::season::parts::terms::Combination;
use crate::stages::season::parts::tests::{ROBUST, ROLLING, Season, Three};
use crate::table::rows::FitRow;

fn set(parts: &str) -> BTreeSet<String> {
    parts.split('+').filter(|p| !p.is_empty()).map(str::to_owned).collect()
}

fn figures([front, rear, resistance]: Three) -> [(&'static str, f64); 6] {
    let drag = resistance - ROLLING * (front + rear);
    let all = front + rear;
    [
        ("front_downforce", front),
        ("rear_downforce", rear),
        ("downforce", all),
        ("drag", drag),
        ("balance", front / all),
        ("efficiency", all / drag),
    ]
}

/// Combinations that the season of the tests never ran.
const HELD_OUT: [(&str, f64); 4] = [("planes", 3.0), ("lip+strip", 4.0), ("lip+planes+strip+tape", 2.0), ("tape", 5.0)];

/// Shares of held-out figures whose mean's interval holds the truth, and whose session interval holds what a new
/// session with its own sensor gains would say.
fn covered(s: &Season, seeds: std::ops::Range<u64>) -> (f64, f64, f64) {
    let (mut mean, mut session, mut n) = (0.0, 0.0, 0.0);
    let normal = Normal::new(0.0, 1.0).unwrap();
    for seed in seeds {
        let mut rng = Pcg64Mcg::seed_from_u64(seed ^ 0x9a1);
        let (season, tables) = s.fit(seed, ROBUST);
        let fit = PartsFit::new(&season, &[]);
        let ground = Ground::new(&fit, &season, &tables);
        for (parts, wing) in HELD_OUT {
            let c = Combination { parts: set(parts), wing: Some(wing) };
            let truth = s.truth(parts, wing);
            let gains: Three = std::array::from_fn(|_| 1.0 + s.scatter * normal.sample(&mut rng));
            let seen = figures(std::array::from_fn(|q| truth[q] * gains[q]));
            for ((name, truth), (_, seen)) in figures(truth).into_iter().zip(seen) {
                let f = ground.figure(name, "", &c, 1.0).unwrap();
                let ((lo, hi), (a, b)) = (f.estimate.unwrap().interval, f.session.unwrap());
                mean += f64::from(u8::from(lo <= truth && truth <= hi));
                session += f64::from(u8::from(a <= seen && seen <= b));
                n += 1.0;
            }
        }
    }
    (mean / n, session / n, n)
}

#[test]
fn predictions_of_what_never_ran_cover() {
    // 25 seasons, 3 independent quantities each: 75 trials, 95 % − 3.5·√(0.95·0.05/75) = 86 %.
    let (mean, session, n) = covered(&Season::default(), 300..325);
    println!("mean {mean:.3}, new session {session:.3} of {n}");
    assert!((0.86..=1.0).contains(&mean), "{mean}");
    assert!((0.86..=1.0).contains(&session), "{session}");
}

/// Run by hand: `cargo test --release predict::tests::study -- --ignored --nocapture`.
#[test]
#[ignore = "a study of some minutes"]
fn study() {
    for (sessions, scatter) in [(12, 0.0), (12, 0.01), (12, 0.03), (8, 0.01), (24, 0.01)] {
        let (mean, session, n) = covered(&Season { sessions, scatter, ..Default::default() }, 2000..2200);
        println!("{sessions} sessions, scatter {scatter}: mean {mean:.4}, new session {session:.4} of {n}");
    }
}

#[test]
fn the_solved_position_is_that_of_brute_force() {
    let s = Season::default();
    let (season, tables) = s.fit(11, ROBUST);
    let fit = PartsFit::new(&season, &[("lip".to_owned(), "wing_position".to_owned())]);
    let ground = Ground::new(&fit, &season, &tables);
    let mut reached = 0;
    for parts in ["", "lip", "lip+planes", "strip", "lip+planes+strip", "tape+strip"] {
        let balance = |wing: f64| {
            let row = fit.terms.row(&Combination { parts: set(parts), wing: Some(wing) }).unwrap();
            fit.named("balance", &row).unwrap().0.value
        };
        for wanted in (28..60).map(|p| f64::from(p) / 100.0) {
            // Bisection between the ends of what is sought: the share falls with every step.
            let (mut low, mut high) = (-4.0, 11.0);
            let there = (balance(low) - wanted) * (balance(high) - wanted) <= 0.0;
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if balance(middle) > wanted { low = middle } else { high = middle }
            }
            match solve(&fit, &set(parts), wanted) {
                Position::Reached { at, interval, se, .. } => {
                    assert!(there && (at - 0.5 * (low + high)).abs() < 1e-6, "{parts} {wanted}: {at} {low}");
                    assert!((balance(at) - wanted).abs() < 1e-9);
                    let (lo, hi) = interval.unwrap();
                    assert!(lo < at && at < hi && se > 0.0 && hi - lo > 2.0 * se);
                    reached += 1;
                }
                Position::OutOfReach { ends, .. } => {
                    assert!(!there, "{parts} {wanted}");
                    assert!((ends[0].1 - balance(1.0)).abs() < 1e-12 && (ends[1].1 - balance(6.0)).abs() < 1e-12);
                }
                Position::NotKnown(why) => panic!("{why}"),
            }
        }
    }
    assert!(reached > 30, "{reached}");
    // And the interval of the position covers the wanted balance's own test: at its ends the balance is just
    // not clearly another one.
    let Position::Reached { interval: Some((lo, hi)), at, .. } = solve(&fit, &set("lip"), 0.45) else { panic!() };
    for end in [lo, hi] {
        let f = ground.figure("balance", "", &Combination { parts: set("lip"), wing: Some(end) }, 1.0).unwrap();
        let e = f.estimate.unwrap();
        // Delta method of the share against Fieller, and degrees of freedom of another contrast: near, not equal.
        let outside = (e.interval.0 - 0.45).max(0.45 - e.interval.1);
        assert!(outside.abs() < 0.5 * e.se, "{at} {end} {e:?}");
    }
}

#[test]
fn what_the_season_rests_on_stands_beside_every_figure_of_it() {
    let s = Season::default();
    let (season, mut tables) = s.fit(12, ROBUST);
    let fit = PartsFit::new(&season, &[]);
    let wish = Wish { parts: set("lip"), wing: Wing::At(3.0), speed: 40.0 };
    let doubtful = |tables: &SeasonTables| {
        let flags = |name: &str, out: &forecast::Forecast| {
            let of = out.figures.iter().find(|f| f.quantity == name);
            of.map(|f| f.flags.iter().copied().collect::<Vec<_>>()).unwrap_or_default()
        };
        let out = Ground::new(&fit, &season, tables).answer(&wish);
        let remarks = out.remarks.iter().filter(|r| matches!(r, Remark::Rests(_))).count();
        (flags("drag", &out), flags("front_downforce", &out), remarks)
    };
    tables.fits.clear();
    assert_eq!(doubtful(&tables), (vec![], vec![], 0));
    // A remark on the logs behind the drag; what is said of a result is not carried on.
    tables.fits = vec![FitRow {
        quantity: "resistance".to_owned(),
        flags: "level_road_assumed,square_law_doubtful".to_owned(),
        ..Default::default()
    }];
    assert_eq!(doubtful(&tables), (vec!["level_road_assumed"], vec![], 1));
    let rows = rows("a", &Ground::new(&fit, &season, &tables).answer(&wish), None, 1.2, units::any("km/h").unwrap());
    let of = |name: &str| rows.iter().find(|r| r.quantity == name).map(|r| r.flags.as_str()).unwrap_or_default();
    assert!(of("drag").contains("level_road_assumed") && !of("front_downforce").contains("level_road_assumed"));
    assert!(of("efficiency").contains("level_road_assumed") && rows[0].remarks.contains("level_road_assumed: "));
}

fn answer(s: &Season, parts: &str, wing: Wing, speed: f64) -> forecast::Forecast {
    let (season, mut tables) = s.fit(12, ROBUST);
    let fit = PartsFit::new(&season, &[]);
    tables.parts = part_rows::parts(&season, &fit, &tables.units);
    Ground::new(&fit, &season, &tables).answer(&Wish { parts: set(parts), wing, speed })
}

#[test]
fn what_lies_outside_is_said_by_name() {
    let s = Season::default();
    let flags = |f: &forecast::Forecast| f.remarks.iter().map(Remark::flag).collect::<Vec<_>>();
    let ran = answer(&s, "lip+mirrors", Wing::At(1.0), 50.0);
    assert_eq!((ran.ran_as.as_deref(), flags(&ran).as_slice()), (Some("c6"), &[][..]));
    let out = answer(&s, "lip+tape", Wing::At(8.5), 90.0);
    assert_eq!(flags(&out), ["combination_never_ran", "wing_outside_of_range", "speed_outside_of_windows"]);
    let speed = units::unit_of("km/h", Dimension::Speed).unwrap();
    assert_eq!(out.remarks[1].words(speed), "wing position 8.5 lies outside of those that ran, 1 to 6");
    assert!(out.remarks[2].words(speed).starts_with("324 km/h lies outside of the windows, 9"), "{:?}", out.remarks);
    assert!(out.figures.iter().all(|f| f.estimate.is_some()) && out.figures.len() == 6);
    let far = answer(&s, "strip", Wing::Balance(0.7), 50.0);
    assert_eq!((flags(&far).as_slice(), far.figures.len()), (&["balance_out_of_reach"][..], 0));
    let words = far.remarks[0].words(speed);
    assert!(words.starts_with("no wing position gives a balance of 70.00 %: those that ran go from"), "{words}");
    let rows = rows("x", &far, Some(0.7), 1.225, speed);
    assert_eq!((rows.len(), rows[0].quantity.as_str(), rows[0].value), (1, "wing_position", None));
}

#[test]
fn parts_that_were_never_apart_are_not_predicted_apart() {
    let setups = vec![("", 3.0), ("lip+planes", 3.0), ("strip", 3.0), ("tape", 4.0)];
    let s = Season { setups, ..Default::default() };
    let alone = answer(&s, "lip+strip", Wing::Reference, 44.0);
    assert!(alone.figures.iter().all(|f| f.estimate.is_none()));
    assert!(
        alone
            .remarks
            .contains(&Remark::NotKnown("lip+planes: only their sum is known, they never ran apart".to_owned()))
    );
    let both = answer(&s, "lip+planes+strip", Wing::Reference, 44.0);
    assert!(both.figures.iter().all(|f| f.estimate.is_some()), "{both:?}");
    // The wing moved only together with the tape.
    let tied = answer(&s, "strip", Wing::Balance(0.4), 44.0);
    assert!(matches!(&tied.position, Some(Position::NotKnown(why)) if why.contains("wing_position+tape")), "{tied:?}");
}

#[test]
fn a_part_without_usable_windows_is_named() {
    let s = Season::default();
    let mut tables = s.tables(13);
    // Of the strip's two configurations nothing is left.
    tables.windows.retain(|w| w.configuration != "c4" && w.configuration != "c7");
    let fit: crate::stages::season::fit::Fit = serde_json::from_str(ROBUST).unwrap();
    let evidence = crate::stages::season::fit::evidence::collect(&tables.windows, 3, &fit, &s.runs());
    let season = fit.solve_evidence(evidence, given(&tables));
    let parts = PartsFit::new(&season, &[]);
    let ground = Ground::new(&parts, &season, &tables);
    let ask = |parts: &str| ground.answer(&Wish { parts: set(parts), wing: Wing::At(3.0), speed: 44.0 });
    let strip = ask("strip");
    assert_eq!(strip.ran_as, None);
    assert!(strip.figures.iter().all(|f| f.estimate.is_none()));
    let why = "strip never ran in a configuration that could be fitted".to_owned();
    assert!(strip.remarks.contains(&Remark::NotKnown(why)), "{:?}", strip.remarks);
    assert!(ask("lip").figures.iter().all(|f| f.estimate.is_some()));
}
