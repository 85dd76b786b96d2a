//! Ranking on windows whose truth is known.

use super::*;
use crate::stages::season::parts::model::PartsFit;
use crate::stages::season::parts::tests::{ROBUST, Season};

fn ranked(options: &str, s: &Season) -> Vec<CombinationRow> {
    let (season, tables) = s.fit(21, ROBUST);
    let fit = PartsFit::new(&season, &[]);
    let rank: Rank = serde_json::from_str(options).unwrap();
    rank.rows(&Ground::new(&fit, &season, &tables), &s.runs())
}

#[test]
fn every_combination_once_with_its_limits() {
    let options = r#"{"front_at_least": "800 N", "drag_at_most": "830 N", "balance": "38..46 %"}"#;
    let rows = ranked(options, &Season::default());
    // 5 parts, wing positions 1, 3, 5, 6.
    assert_eq!(rows.len(), 32 * 4);
    let keys: BTreeSet<String> = rows.iter().map(|r| format!("{} {:?}", r.parts, r.wing_position)).collect();
    assert_eq!(keys.len(), rows.len());
    assert_eq!(rows.iter().filter_map(|r| r.ran_as.clone()).collect::<BTreeSet<_>>().len(), 8);
    for r in &rows {
        let (lo, hi) = (r.balance_lo95.unwrap(), r.balance_hi95.unwrap());
        let expected = if lo >= 0.38 && hi <= 0.46 {
            "yes"
        } else if hi < 0.38 || lo > 0.46 {
            "no"
        } else {
            "unsure"
        };
        assert_eq!(r.balance_limit.as_deref(), Some(expected));
        assert_eq!(r.rear_limit, None);
        let three = [&r.front_limit, &r.drag_limit, &r.balance_limit].map(|l| l.clone().unwrap());
        let all = ["no", "unsure", "yes"].into_iter().find(|w| three.iter().any(|t| t == w)).unwrap();
        assert_eq!(r.limits, all);
    }
    let groups: Vec<&str> = rows.iter().map(|r| r.limits.as_str()).collect();
    let order = |l: &&str| ["yes", "unsure", "no"].iter().position(|x| x == l).unwrap();
    assert!(groups.windows(2).all(|w| order(&w[0]) <= order(&w[1])) && groups.first() == Some(&"yes"));
}

#[test]
fn the_efficient_set_is_that_of_brute_force() {
    let rows = ranked("{}", &Season::default());
    let values: Vec<(f64, f64)> = rows.iter().map(|r| (r.downforce.unwrap(), r.drag.unwrap())).collect();
    let better = |a: (f64, f64), b: (f64, f64)| a.0 >= b.0 && a.1 <= b.1 && a != b;
    for (r, v) in rows.iter().zip(&values) {
        assert_eq!(r.efficient, Some(!values.iter().any(|o| better(*o, *v))));
        assert_eq!(r.bettered_by.is_some(), r.efficient == Some(false));
    }
    let count = |how: &str| rows.iter().filter(|r| r.bettered.as_deref() == Some(how)).count();
    // The mirrors are worth nothing: with or without them the other one is better within noise only.
    assert!(count("clear") > 0 && count("within_noise") > 0, "{} {}", count("clear"), count("within_noise"));
}

#[test]
fn what_is_not_known_is_said() {
    let setups = vec![("", 3.0), ("lip+planes", 3.0), ("strip", 3.0), ("tape", 3.0)];
    let rows = ranked("{}", &Season { setups, ..Default::default() });
    assert_eq!(rows.len(), 16);
    for r in &rows {
        let apart = r.parts.contains("lip") != r.parts.contains("planes");
        assert_eq!(r.limits == "unknown", apart, "{}", r.parts);
        assert_eq!(r.downforce.is_none(), apart);
        assert_eq!(r.remarks.contains("they never ran apart"), apart);
    }
}

#[test]
fn what_surely_holds_the_limits_is_named_before_what_may() {
    let row = |rank: i64, limits: &str, efficient: Option<bool>, downforce: f64, drag: f64| CombinationRow {
        rank,
        limits: limits.to_owned(),
        efficient,
        downforce: Some(downforce),
        drag: Some(drag),
        ..Default::default()
    };
    // The fourth may hold them and betters all that do; of these the second is bettered by the first.
    let rows = [
        row(1, "yes", Some(false), 1800.0, 740.0),
        row(2, "yes", Some(false), 1790.0, 745.0),
        row(3, "yes", Some(false), 1700.0, 700.0),
        row(4, "unsure", Some(true), 1900.0, 690.0),
        row(5, "unsure", Some(false), 1600.0, 740.0),
        row(6, "no", None, 2500.0, 650.0),
    ];
    assert_eq!(best(&rows).iter().map(|r| r.rank).collect::<Vec<_>>(), [1, 3, 4]);
}
