//! Parts on windows whose truth is known: no simulator, no logs.

use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use super::model::placed;
use super::terms::Combination;
use super::*;
use crate::numerics::blocked::restricted::Group;
use crate::stages::season::fit::estimate::Estimate;
use crate::stages::season::fit::tests::given;
use crate::stages::season::fit::{Fit, SeasonFit, evidence};
use crate::stages::window::{Measure, Stretch, Window};

/// Front, rear, resistance.
pub type Three = [f64; 3];

pub const ROLLING: f64 = 0.012;
/// Coefficients, N/(m/s)², of the car without parts at wing position 3.
const BASE: Three = [0.31, 0.50, 0.37];
const STEP: Three = [-0.0076, 0.0486, 0.0157];
const PARTS: [(&str, Three); 5] = [
    ("lip", [0.134, -0.030, 0.017]),
    ("planes", [0.073, -0.021, 0.023]),
    ("strip", [-0.017, 0.099, 0.026]),
    ("tape", [0.029, 0.006, -0.014]),
    ("mirrors", [0.0, 0.0, 0.0]),
];

/// A configuration: parts joined with `+`, wing position.
pub type Setup = (&'static str, f64);

/// A season in the manner of one: each session runs the first configuration and two of the others in turn.
pub struct Season {
    pub setups: Vec<Setup>,
    pub sessions: usize,
    pub windows: usize,
    pub noise: f64,
    pub wind: f64,
    pub scatter: f64,
    /// What lip and planes are worth together beyond their sum.
    pub together: Three,
    /// Each session runs all configurations.
    pub all: bool,
    /// Directions that the straights point in.
    pub headings: usize,
}

impl Default for Season {
    fn default() -> Self {
        let setups = vec![
            ("", 3.0),
            ("lip", 3.0),
            ("lip+planes", 3.0),
            ("", 6.0),
            ("strip", 3.0),
            ("tape", 3.0),
            ("lip+mirrors", 1.0),
            ("lip+planes+strip", 5.0),
        ];
        Self {
            setups,
            sessions: 12,
            windows: 18,
            noise: 15.0,
            wind: 2.0,
            scatter: 0.01,
            together: [0.0; 3],
            all: false,
            headings: 4,
        }
    }
}

impl Season {
    pub fn truth(&self, parts: &str, wing: f64) -> Three {
        let on: Vec<&str> = parts.split('+').filter(|p| !p.is_empty()).collect();
        let extra = if on.contains(&"lip") && on.contains(&"planes") { self.together } else { [0.0; 3] };
        std::array::from_fn(|q| {
            let sum: f64 = PARTS.iter().filter(|p| on.contains(&p.0)).map(|p| p.1[q]).sum();
            BASE[q] + STEP[q] * (wing - 3.0) + sum + extra[q]
        })
    }

    pub fn runs(&self) -> Vec<RunRow> {
        let row = |(k, (parts, wing)): (usize, &Setup)| {
            let parts: Vec<&str> = parts.split('+').filter(|p| !p.is_empty()).collect();
            serde_json::from_value(serde_json::json!({
                "log": "*", "event": "e", "session": "s", "configuration": format!("c{k}"),
                "parts": parts, "wing_position": wing,
            }))
            .unwrap()
        };
        self.setups.iter().enumerate().map(row).collect()
    }

    fn plan(&self, session: usize) -> Vec<usize> {
        let others = self.setups.len() - 1;
        if self.all || others < 2 {
            return (0..self.setups.len()).collect();
        }
        vec![0, 1 + (2 * session) % others, 1 + (2 * session + 1) % others]
    }

    pub fn tables(&self, seed: u64) -> SeasonTables {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let mut speeds = Pcg64Mcg::seed_from_u64(seed ^ 0x5eed);
        let mut z = move || normal.sample(&mut rng);
        let mut windows = Vec::new();
        for g in 0..self.sessions {
            let wind = (self.wind * z(), self.wind * z());
            let gain: Three = std::array::from_fn(|_| 1.0 + self.scatter * z());
            for k in self.plan(g) {
                let zeros: Three = std::array::from_fn(|_| 200.0 * z());
                let truth = self.truth(self.setups[k].0, self.setups[k].1);
                for i in 0..self.windows {
                    let course = i as f64 * std::f64::consts::TAU / self.headings as f64 + 0.3;
                    let v: f64 = speeds.random_range(25.0..60.0);
                    let head = wind.0 * course.cos() + wind.1 * course.sin();
                    let ratio = 0.95;
                    let x = ratio * (v + head).powi(2);
                    let measure = |q: usize, e: f64| {
                        let mean = zeros[q] + gain[q] * truth[q] * x + self.noise * e;
                        Some(Measure { mean, standard_error: 5.0, v2: ratio * v * v, v: ratio * v, ratio, zero: None })
                    };
                    let measures = (0..3).map(|q| measure(q, z())).collect();
                    windows.push(window(g, k, course, v, measures));
                }
            }
        }
        let quantities = ["front_downforce", "rear_downforce", "resistance"].map(str::to_owned).to_vec();
        SeasonTables { units: vec!["N".to_owned(); 3], quantities, windows, ..Default::default() }
    }

    pub fn fit(&self, seed: u64, options: &str) -> (SeasonFit, SeasonTables) {
        let tables = self.tables(seed);
        let fit: Fit = serde_json::from_str(options).unwrap();
        let evidence = evidence::collect(&tables.windows, 3, &fit, &self.runs());
        (fit.solve_evidence(evidence, given(&tables)), tables)
    }

    pub fn solve(&self, seed: u64, options: &str, interactions: &[(&str, &str)]) -> (SeasonFit, PartsFit) {
        let (season, _) = self.fit(seed, options);
        let pairs: Vec<(String, String)> =
            interactions.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect();
        let parts = PartsFit::new(&season, &pairs);
        (season, parts)
    }
}

fn window(g: usize, k: usize, course: f64, v: f64, measures: Vec<Option<Measure>>) -> Window {
    let stretch = Stretch {
        log: format!("s{g}.csv"),
        event: "e".to_owned(),
        session: format!("s{g:02}"),
        outing: format!("s{g}.csv#{k}"),
        configuration: format!("c{k}"),
        ..Default::default()
    };
    Window {
        stretch: stretch.into(),
        kind: "steady",
        start: 0.0,
        duration: 3.0,
        samples: 150,
        speed: v,
        air_density: 1.16,
        course: Some(course),
        air_speed_measured: false,
        accel_x: 0.0,
        accel_z: None,
        coast: None,
        measures,
    }
}

pub const ROBUST: &str =
    r#"{"quantities": ["front_downforce", "rear_downforce", "drag"], "at": "160 km/h", "wind": "estimate"}"#;
pub const PLAIN: &str = r#"{"quantities": ["front_downforce", "rear_downforce", "drag"], "at": "160 km/h", "method": "ordinary", "weights": "equal"}"#;
const MEASURED: [&str; 3] = ["front_downforce", "rear_downforce", "resistance"];

/// Terms beside the base with their true effects.
fn true_effects(fit: &PartsFit) -> Vec<(usize, Three)> {
    let of = |name: &str| match name {
        WING => STEP,
        name => PARTS.iter().find(|p| p.0 == name).map_or([f64::NAN; 3], |p| p.1),
    };
    fit.terms.terms.iter().enumerate().skip(1).map(|(i, t)| (i, of(&t.to_string()))).collect()
}

fn effect(fit: &PartsFit, term: usize, q: usize) -> Estimate {
    fit.estimate(&fit.coefficient(q, &fit.terms.alone(term)).unwrap()).unwrap()
}

#[test]
fn effects_come_back_without_noise() {
    let s = Season { noise: 1e-7, wind: 0.0, scatter: 0.0, ..Default::default() };
    let (_, fit) = s.solve(1, PLAIN, &[]);
    for (term, truth) in true_effects(&fit) {
        for (q, true_value) in truth.iter().enumerate() {
            let e = effect(&fit, term, q);
            assert!((e.value - true_value).abs() < 1e-8, "{term} {q}: {} {true_value}", e.value);
        }
    }
}

#[test]
fn as_many_terms_as_configurations_are_the_configurations_themselves() {
    // Saturated: an effect is the difference of two configurations, to the last digits of value, error and
    // degrees of freedom, wind and robust weights included.
    let setups = vec![("", 3.0), ("lip", 3.0), ("strip", 3.0), ("", 5.0)];
    let (season, fit) = Season { setups, ..Default::default() }.solve(2, ROBUST, &[]);
    for (k, name, scale) in [(1, "lip", 1.0), (2, "strip", 1.0), (3, WING, 0.5)] {
        let term = fit.terms.terms.iter().position(|t| t.to_string() == name).unwrap();
        for q in 0..3 {
            let pair = season.coefficient(k, q).unwrap().minus(&season.coefficient(0, q).unwrap()).times(scale);
            let (a, b) = (season.estimate(&pair).unwrap(), effect(&fit, term, q));
            assert!((a.value - b.value).abs() < 1e-10, "{name} {q}: {} {}", a.value, b.value);
            assert!((a.se / b.se - 1.0).abs() < 1e-8, "{name} {q}: {} {}", a.se, b.se);
            assert!(a.dof == b.dof || (a.dof / b.dof - 1.0).abs() < 1e-6, "{name} {q}: {} {}", a.dof, b.dof);
        }
    }
    assert!(matches!(
        additivity::additivity(&season, &fit, "front_downforce"),
        Err(additivity::NoTest::NoneToSpare { configurations: 4, .. })
    ));
}

/// Intervals of all effects that hold their truth, and how many there are.
fn covered(s: &Season, seeds: std::ops::Range<u64>) -> (usize, usize) {
    let (mut inside, mut n) = (0, 0);
    for seed in seeds {
        let (_, fit) = s.solve(seed, ROBUST, &[]);
        for (term, truth) in true_effects(&fit) {
            for (q, true_value) in truth.iter().enumerate() {
                let (lo, hi) = effect(&fit, term, q).interval;
                inside += usize::from(lo <= *true_value && *true_value <= hi);
                n += 1;
            }
        }
    }
    (inside, n)
}

#[test]
fn intervals_of_effects_cover() {
    // 25 seasons × 18 intervals. Those of one season share its sessions, so count each quantity of a season
    // once: 75 trials, 95 % − 3.5·√(0.95·0.05/75) = 86 %.
    let (inside, n) = covered(&Season::default(), 500..525);
    let share = inside as f64 / n as f64;
    println!("coverage {share:.3} of {n}");
    assert!((0.86..=1.0).contains(&share), "{share}");
}

/// Run by hand: `cargo test --release parts::tests::study -- --ignored --nocapture`.
#[test]
#[ignore = "a study of some minutes"]
fn study() {
    let many = |sessions, scatter| Season { sessions, scatter, ..Default::default() };
    for (name, s) in [
        ("no session scatter", many(12, 0.0)),
        ("session scatter 1 %", many(12, 0.01)),
        ("session scatter 3 %", many(12, 0.03)),
        ("8 sessions, 1 %", many(8, 0.01)),
        ("24 sessions, 1 %", many(24, 0.01)),
    ] {
        let (inside, n) = covered(&s, 1000..1200);
        println!("{name}: {:.4} of {n} intervals of effects hold the truth", inside as f64 / n as f64);
    }
    for (name, options) in [("robust", ROBUST), ("ordinary, no wind estimated", PLAIN)] {
        for quantity in ["front_downforce", "rear_downforce"] {
            let alarms = false_alarms(options, quantity, 3000..3400);
            println!("additivity, {name}, {quantity}: {alarms} false alarms of 400");
        }
    }
}

#[test]
fn parts_that_never_ran_apart_are_named_together() {
    let setups = vec![("", 3.0), ("lip+planes", 3.0), ("lip+planes+strip", 5.0), ("strip", 3.0), ("tape", 4.0)];
    let s = Season { setups, ..Default::default() };
    let (season, fit) = s.solve(3, ROBUST, &[]);
    let units = vec!["N".to_owned(); 3];
    let rows = rows::parts(&season, &fit, &units);
    let of = |part: &str, q: &str| rows.iter().find(|r| r.part == part && r.quantity == q).unwrap();
    for q in ["front_downforce", "rear_downforce", "drag"] {
        for part in ["lip", "planes"] {
            let row = of(part, q);
            assert_eq!((row.effect, row.verdict.as_str()), (None, "not separable"));
            assert_eq!(row.why, "lip+planes: only their sum is known, they never ran apart");
        }
        assert!(of("strip", q).effect.is_some());
    }
    let sum = of("lip+planes", "front_downforce");
    assert_eq!(sum.kind, "together");
    let truth = (0.134 + 0.073) * fit.speed * fit.speed;
    assert!(sum.effect_lo95.unwrap() < truth && truth < sum.effect_hi95.unwrap(), "{sum:?}");
    assert!(rows.iter().all(|r| r.effect.is_some() || r.verdict == "not separable"));
    // Drag is what is left of the resistance without rolling.
    let d = of("strip", "drag").effect.unwrap();
    let strip = fit.terms.terms.iter().position(|t| t.to_string() == "strip").unwrap();
    let [f, r, all] = std::array::from_fn(|q| effect(&fit, strip, q).value);
    assert!((d - (all - ROLLING * (f + r)) * fit.speed * fit.speed).abs() < 1e-9);
}

#[test]
fn what_else_can_not_be_told_apart() {
    let why = |setups: Vec<Setup>| {
        let (_, fit) = Season { setups, ..Default::default() }.solve(4, ROBUST, &[]);
        groups::tied(&fit)
    };
    let on = why(vec![("lip", 3.0), ("lip+strip", 3.0), ("lip+tape", 4.0)]);
    assert_eq!(on[0].why, "lip was on in every configuration that ran: its worth is part of the base");
    let still = why(vec![("", 3.0), ("lip", 3.0), ("strip", 3.0)]);
    assert_eq!(still[0].why, "the wing was never moved");
    let either = why(vec![("lip", 3.0), ("strip", 3.0), ("lip+tape", 3.0), ("lip", 5.0)]);
    assert_eq!(either[0].why, "one of lip, strip always ran: only the differences are known");
    assert_eq!((either[0].known[0].name.as_str(), either[0].known[0].kind), ("strip-lip", "exchange"));
    // The wing was moved together with a part: neither is known, nor is their sum a step of anything.
    let moved = why(vec![("", 3.0), ("lip", 5.0), ("strip", 3.0)]);
    assert!(moved[0].why.starts_with("wing_position, lip: these two can't be told apart"), "{}", moved[0].why);
    assert!(moved[0].known.is_empty());
}

#[test]
fn an_interaction_is_found_and_additivity_doubted_without_it() {
    let setups = vec![("", 3.0), ("lip", 3.0), ("planes", 3.0), ("lip+planes", 3.0), ("strip", 4.0)];
    let s = Season { setups, together: [-0.03; 3], all: true, sessions: 10, ..Default::default() };
    let (season, plain) = s.solve(5, ROBUST, &[]);
    let test = additivity::additivity(&season, &plain, "front_downforce").unwrap();
    assert!(test.p_value < 1e-3 && test.numerator == 1.0, "{test:?}");
    let (_, fit) = s.solve(5, ROBUST, &[("lip", "planes")]);
    let term = fit.terms.terms.iter().position(|t| t.to_string() == "lip×planes").unwrap();
    for q in 0..3 {
        let (lo, hi) = effect(&fit, term, q).interval;
        assert!(lo < -0.03 && -0.03 < hi, "{q}: {lo} {hi}");
    }
    assert!(additivity::additivity(&season, &fit, "front_downforce").is_err());
}

#[test]
fn what_does_not_add_in_one_quantity_moves_no_other() {
    // Straights that all point one way: a misfit could be wind.
    let setups = || vec![("", 3.0), ("lip", 3.0), ("planes", 3.0), ("lip+planes", 3.0), ("strip", 3.0), ("", 4.0)];
    let plain = Season { setups: setups(), headings: 1, ..Season::default() };
    let bent = Season { setups: setups(), headings: 1, together: [-0.06, 0.0, 0.0], ..Season::default() };
    let (mut most, mut most_together) = (0.0_f64, 0.0_f64);
    for seed in 40..44 {
        let ((_, plain), (season, bent)) = (plain.solve(seed, ROBUST, &[]), bent.solve(seed, ROBUST, &[]));
        let together = all_quantities_together(&season, &bent);
        for term in 1..plain.terms.terms.len() {
            for q in [1, 2] {
                let (a, b) = (effect(&plain, term, q), effect(&bent, term, q));
                let Some(unknown) = bent.designs[q].columns[term] else { continue };
                most = most.max((a.value - b.value).abs() / a.se);
                most_together = most_together.max((a.value - together[unknown]).abs() / a.se);
            }
        }
    }
    println!("standard errors: {most:.2}, all quantities solved together {most_together:.2}");
    // What is left is the fit's own: another force weighs its windows' wind otherwise.
    assert!(most_together > 1.0 && most < 0.4 * most_together, "{most} {most_together}");
}

/// The terms' unknowns where wind and gusts are sought again with them.
fn all_quantities_together(season: &SeasonFit, parts: &PartsFit) -> DVector<f64> {
    let rows: Vec<_> = parts.configurations.iter().map(|c| parts.terms.row(&Combination::of(c))).collect();
    let mut joint = Group { columns: Vec::new(), design: DMatrix::zeros(0, 0) };
    for q in 0..3 {
        let (_, of) = placed(season, &parts.terms, &rows, q, 0);
        let (n, unknowns) = joint.design.shape();
        joint.columns.extend(of.columns);
        joint.design = joint.design.resize(n + of.design.nrows(), unknowns + of.design.ncols(), 0.0);
        joint.design.view_mut((n, unknowns), of.design.shape()).copy_from(&of.design);
    }
    let fit = season.model.fit.as_ref().unwrap();
    fit.told_by_groups(&[joint]).unwrap() * &fit.beta
}

/// Seasons whose parts add and whose additivity is doubted at the 5 % level.
fn false_alarms(options: &str, quantity: &str, seeds: std::ops::Range<u64>) -> usize {
    let setups =
        vec![("", 3.0), ("lip", 3.0), ("planes", 3.0), ("lip+planes", 3.0), ("strip", 3.0), ("lip+strip", 3.0)];
    let s = Season { setups, all: true, sessions: 10, windows: 12, ..Default::default() };
    let alarm = |seed: &u64| {
        let (season, fit) = s.solve(*seed, options, &[]);
        additivity::additivity(&season, &fit, quantity).unwrap().p_value < 0.05
    };
    seeds.filter(alarm).count()
}

#[test]
fn additivity_is_seldom_doubted_where_parts_add() {
    // 40 seasons, one test each: at the 5 % level 2 false alarms are expected; 8 and more have a chance of 0.1 %
    // (scipy 1.17.1, binom.sf(7, 40, 0.05) = 0.0006).
    let alarms = false_alarms(ROBUST, "rear_downforce", 700..740);
    println!("false alarms {alarms} of 40");
    assert!(alarms <= 7, "{alarms}");
}

#[test]
fn a_part_of_one_session_takes_the_assumed_scatter() {
    // 10 sessions without it, one with it: 3 % of the car's whole force is what can't be seen.
    let s = Season {
        setups: vec![("", 3.0), ("lip", 3.0), ("strip", 4.0), ("tape", 3.0)],
        sessions: 1,
        all: true,
        ..Default::default()
    };
    let more = Season {
        setups: vec![("", 3.0), ("lip", 3.0), ("strip", 4.0)],
        sessions: 11,
        all: true,
        scatter: 0.005,
        ..Default::default()
    };
    let (season, one) = s.solve(6, ROBUST, &[]);
    let e = effect(&one, 2, 0);
    assert!(e.flags.contains(&"session_scatter_not_visible"), "{e:?}");
    assert!(season.scatter.assumed);
    // Join: tape in session 10 alone.
    let mut tables = more.tables(7);
    tables.windows.retain(|w| w.configuration != "c2" || w.session == "s10");
    let fit: Fit = serde_json::from_str(ROBUST).unwrap();
    let evidence = evidence::collect(&tables.windows, 3, &fit, &more.runs());
    let season = fit.solve_evidence(evidence, given(&tables));
    let parts = PartsFit::new(&season, &[]);
    // Strip and wing were only moved together, in one session: their sum is known, with the assumed scatter.
    let row = parts.terms.row(&Combination { parts: ["strip".to_owned()].into(), wing: Some(4.0) }).unwrap();
    let e = parts.estimate(&parts.coefficient(0, &row).unwrap()).unwrap();
    let own = season.estimate(&season.coefficient(2, 0).unwrap()).unwrap();
    assert!(e.flags.contains(&"session_scatter_not_visible"));
    assert!(e.se > 0.029 * e.value && (e.se / own.se - 1.0).abs() < 0.05, "{e:?} {own:?}");
    // What ten sessions say of the lip is untouched by it.
    let lip = parts.terms.terms.iter().position(|t| t.to_string() == "lip").unwrap();
    let e = effect(&parts, lip, 0);
    assert!(e.flags.is_empty() && e.se < 0.01 * 0.44, "{e:?}");
}

#[test]
fn quantities_are_joint() {
    // The interval of the sum is not that of two independent numbers: the wind of a session moves both.
    let (_, fit) = Season::default().solve(8, ROBUST, &[]);
    let row = fit.terms.alone(2);
    let both = fit.named("downforce", &row).unwrap().0;
    let sum = fit.coefficient(0, &row).unwrap().plus(&fit.coefficient(1, &row).unwrap());
    assert_eq!(both.gradient, sum.gradient);
    assert_eq!(
        MEASURED.iter().map(|m| fit.quantities.iter().position(|q| q == m)).collect::<Vec<_>>(),
        [Some(0), Some(1), Some(2)]
    );
}
