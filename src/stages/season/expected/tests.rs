//! Expected figures against fits whose truth is known.

use super::*;
use crate::stages::season::fit::tests::{PLAIN, Season, make, solve, truth};
use crate::table::flags::{ROLLING_NOT_TAKEN_OFF, meaning};
use crate::table::verdicts::ExpectedRow;

const SPEED: f64 = 160.0 / 3.6;

/// Sessions that scatter a little, so that intervals are a few newtons.
fn fit() -> SeasonFit {
    let season = Season { session_scatter: 0.004, sessions: 10, noise: 8.0, wind: 1.0, ..Default::default() };
    let mut fit = solve(&make(&season, 21), PLAIN, 3);
    for (k, parts) in [(1, &["lip"][..]), (2, &["lip", "strip"][..])] {
        fit.evidence.configurations[k].parts = parts.iter().map(|p| (*p).to_owned()).collect();
    }
    fit
}

fn quantity(q: usize) -> &'static str {
    ["front_downforce", "rear_downforce", "drag"][q]
}

/// True force at the reference: drag is what rolling leaves of the resistance.
fn force(k: usize, q: usize) -> f64 {
    let [f, r, w] = truth(k);
    [f, r, w - 0.012 * (f + r)][q] * SPEED * SPEED
}

fn stage(figures: &[String]) -> Expected {
    crate::config::from_text(&format!("figures:\n{}", figures.concat()))
}

fn line(subject: &str, quantity: &str, newton: f64) -> String {
    format!("  - {{ {subject}, quantity: {quantity}, value: {newton} N, at: 160 km/h, density: 1.225 kg/m3 }}\n")
}

/// Figures of every configuration and force: truth over `factor`, with one of them off by `error` newtons.
fn figures(factor: f64, wrong: Option<(usize, usize, f64)>) -> Vec<String> {
    let mut out = Vec::new();
    for k in 0..3 {
        for q in 0..3 {
            let off = wrong.filter(|w| (w.0, w.1) == (k, q)).map_or(0.0, |w| w.2);
            out.push(line(&format!("configuration: c{k}"), quantity(q), force(k, q) / factor + off));
        }
    }
    out
}

fn rows(fit: &SeasonFit, figures: &[String]) -> (Vec<ExpectedRow>, Vec<crate::table::verdicts::ExpectedScaleRow>) {
    stage(figures).rows(fit, &vec!["N".to_owned(); figures.len()])
}

#[test]
fn drag_that_holds_the_rolling_of_downforce_is_said() {
    let fit = fit();
    let (rows_of_all, _) = rows(&fit, &figures(1.0, None));
    assert!(rows_of_all.iter().all(|r| !r.why.contains(meaning(ROLLING_NOT_TAKEN_OFF))));
    let mut alone = fit;
    alone.quantities[0] = "nose".to_owned();
    let (rows, _) = rows(&alone, &[line("configuration: c0", "drag", force(0, 2))]);
    assert!(rows[0].why.contains(meaning(ROLLING_NOT_TAKEN_OFF)), "{:?}", rows[0]);
}

#[test]
fn true_figures_agree() {
    let (rows, scales) = rows(&fit(), &figures(1.0, None));
    for r in &rows {
        assert_eq!(r.verdict, "agrees", "{r:?}");
        assert!((r.difference.unwrap() - (r.track.unwrap() - r.expected)).abs() < 1e-9);
        assert!((r.ratio.unwrap() - r.track.unwrap() / r.expected).abs() < 1e-12);
    }
    assert_eq!(scales.len(), 2);
    for s in &scales {
        assert!(s.factor_lo95 < 1.0 && s.factor_hi95 > 1.0 && (s.factor - 1.0).abs() < 0.02, "{s:?}");
        assert_eq!(s.stand_out, "");
    }
    assert_eq!((scales[0].figures, scales[1].figures), (6, 3));
}

#[test]
fn a_common_factor_is_one_finding_and_a_wrong_figure_stands_out() {
    // The track gives 1.1 of what was expected, and one of the rear figures is 120 N too high besides.
    let (rows, scales) = rows(&fit(), &figures(1.1, Some((1, 1, 120.0))));
    let downforce = &scales[0];
    assert!((downforce.factor - 1.1).abs() < 0.02 && downforce.factor_lo95 > 1.05, "{downforce:?}");
    assert_eq!(downforce.stand_out, "c1 rear_downforce");
    assert_eq!(downforce.figures, 5);
    for r in rows.iter().filter(|r| r.scale_kind.as_deref() == Some("downforce")) {
        let wrong = r.configuration.as_deref() == Some("c1") && r.quantity == "rear_downforce";
        let expected = if wrong { "stands_out" } else { "follows" };
        assert_eq!(r.scale_verdict.as_deref(), Some(expected), "{r:?}");
        if !wrong {
            assert_eq!(r.verdict, "disagrees", "{r:?}");
            assert!(r.minus_scaled.unwrap().abs() < 30.0);
        }
    }
}

#[test]
fn parts_are_held_as_differences() {
    let fit = fit();
    // The lip's effect: c1 against c0 alone, for no pair with the strip lacks the lip.
    let lip = force(1, 0) - force(0, 0);
    let strip = force(2, 0) - force(1, 0);
    let all = [
        line("part: lip", "front_downforce", lip),
        line("part: strip", "front_downforce", strip + 150.0),
        line("part: winglet", "front_downforce", 10.0),
    ];
    let (rows, _) = rows(&fit, &all);
    let by_hand = fit.value_at(1, "front_downforce", SPEED, 1.225).unwrap().value
        - fit.value_at(0, "front_downforce", SPEED, 1.225).unwrap().value;
    assert!((rows[0].track.unwrap() - by_hand).abs() < 1e-9);
    assert!(rows[0].difference_lo95.unwrap() < 0.0 && rows[0].difference_hi95.unwrap() > 0.0);
    assert_eq!(rows[1].verdict, "disagrees", "{:?}", rows[1]);
    assert_eq!(rows[2].verdict, "no figure");
    assert!(rows[2].why.contains("by this part alone"));
}

#[test]
fn pairs_that_do_not_agree_about_a_part_are_said() {
    let season =
        Season { session_scatter: 0.004, sessions: 10, noise: 8.0, wind: 1.0, configurations: 4, ..Default::default() };
    let mut fit = solve(&make(&season, 22), PLAIN, 4);
    // Every configuration is a step from the one before.
    let mut why = |lip_and_strip: usize, strip: usize| {
        let parts = [(1, &["lip"][..]), (strip, &["strip"][..]), (lip_and_strip, &["lip", "strip"][..])];
        for (k, parts) in parts {
            fit.evidence.configurations[k].parts = parts.iter().map(|p| (*p).to_owned()).collect();
        }
        let (rows, _) = rows(&fit, &[line("part: lip", "front_downforce", 60.0)]);
        rows[0].why.clone()
    };
    // The lip is a step up in both pairs, or up in one and down in the other.
    assert!(!why(3, 2).contains("does not agree"));
    let odd = why(2, 3);
    assert!(odd.contains("does not agree") && odd.contains(" N in `c1`") && odd.contains("in `c2`"), "{odd}");
}

#[test]
fn the_figures_own_uncertainty_widens() {
    let fit = fit();
    let with = |uncertainty: &str| {
        let text = format!(
            "figures:\n  - {{ configuration: c0, quantity: drag, value: 900 N, at: 160 km/h, density: 1.225 kg/m3{uncertainty} }}\n"
        );
        let stage: Expected = crate::config::from_text(&text);
        stage.rows(&fit, &["N".to_owned()]).0.remove(0)
    };
    let (exact, wide) = (with(""), with(", uncertainty: 98 N"));
    // 98 N is half of a 95 % interval: a standard error of 50 N.
    let se = exact.difference_se.unwrap().hypot(98.0 / 1.959_964);
    assert!((wide.difference_se.unwrap() - se).abs() < 1e-3, "{wide:?}");
    assert!(exact.expected_half95.is_none() && wide.expected_half95 == Some(98.0));
}

#[test]
fn configurations_show_what_was_expected() {
    let fit = fit();
    let mut rows = crate::stages::season::fit::rows::configurations(&fit, &SeasonTables::default());
    let all = [
        line("configuration: c0", "front_downforce", 700.0),
        line("configuration: c0", "rear_downforce", 1000.0),
        line("configuration: c1", "drag", 900.0),
    ];
    stage(&all).put_beside(&fit, &mut rows);
    assert_eq!((rows[0].expected_downforce, rows[0].expected_drag), (Some(1700.0), None));
    assert!((rows[0].downforce_minus_expected.unwrap() - (rows[0].downforce.unwrap() - 1700.0)).abs() < 1e-9);
    // Against an exact figure the interval is the track's own.
    let width = rows[0].downforce_hi95.unwrap() - rows[0].downforce_lo95.unwrap();
    let got = rows[0].downforce_minus_expected_hi95.unwrap() - rows[0].downforce_minus_expected_lo95.unwrap();
    assert!((width / got - 1.0).abs() < 1e-6);
    assert_eq!((rows[1].expected_downforce, rows[1].expected_drag), (None, Some(900.0)));
}
