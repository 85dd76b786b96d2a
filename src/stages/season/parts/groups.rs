//! Parts that can't be told apart: what is known of them together, and why not alone.

use nalgebra::DVector;

use super::model::PartsFit;
use super::terms::{Term, WING};
use crate::numerics::null_space::{AliasGroup, NullSpace};

/// A combination of tied terms that is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// What it is called.
    pub name: String,
    /// `together` (a sum) or `exchange` (one in place of another).
    pub kind: &'static str,
    /// Which terms it counts, with which sign.
    pub contrast: DVector<f64>,
    /// In words.
    pub why: String,
}

/// Tied terms, and what is known of them.
#[derive(Clone, Debug, PartialEq)]
pub struct Tied {
    /// Term indices; the base is not among them.
    pub members: Vec<usize>,
    /// Why none of them is known alone, in words.
    pub why: String,
    /// Sums and differences that are known.
    pub known: Vec<Known>,
}

/// All groups of tied terms of any of the quantities; the first quantity that shows a group counts.
pub fn tied(fit: &PartsFit) -> Vec<Tied> {
    let mut out: Vec<Tied> = Vec::new();
    for space in fit.designs.iter().filter_map(|d| d.space.as_ref()) {
        for group in &space.groups {
            let found = describe(fit, space, group);
            if !found.members.is_empty() && out.iter().all(|t| t.members != found.members) {
                out.push(found);
            }
        }
    }
    out
}

fn describe(fit: &PartsFit, space: &NullSpace, group: &AliasGroup) -> Tied {
    let terms = &fit.terms.terms;
    let is_base = |c: &usize| matches!(terms.get(*c), Some(Term::Base));
    let members: Vec<usize> = group.columns.iter().copied().filter(|c| !is_base(c)).collect();
    let with_base = members.len() < group.columns.len();
    let name = |c: usize| terms.get(c).map(ToString::to_string).unwrap_or_default();
    let names = |joint: &str| members.iter().map(|c| name(*c)).collect::<Vec<_>>().join(joint);
    let mut known = Vec::new();
    let sum = DVector::from_fn(terms.len(), |i, _| f64::from(u8::from(members.contains(&i))));
    if members.len() > 1 && space.is_estimable(&sum) {
        let why = format!("{}: only their sum is known, they never ran apart", names("+"));
        known.push(Known { name: names("+"), kind: "together", contrast: sum, why });
    }
    if with_base && let Some((first, others)) = members.split_first() {
        for other in others {
            let mut contrast = DVector::zeros(terms.len());
            contrast[*other] = 1.0;
            contrast[*first] = -1.0;
            if space.is_estimable(&contrast) {
                let why = format!("{} in place of {}: one of the two always ran", name(*other), name(*first));
                known.push(Known {
                    name: format!("{}-{}", name(*other), name(*first)),
                    kind: "exchange",
                    contrast,
                    why,
                });
            }
        }
    }
    let why = match (members.as_slice(), with_base) {
        ([one], _) if name(*one) == WING && !with_base => "the wing was never moved".to_owned(),
        ([one], true) => {
            format!("{} was on in every configuration that ran: its worth is part of the base", name(*one))
        }
        ([one], false) => format!("{} never ran in a configuration that could be fitted", name(*one)),
        _ if known.iter().any(|k| k.kind == "together") => {
            format!("{}: only their sum is known, they never ran apart", names("+"))
        }
        _ if !known.is_empty() => format!("one of {} always ran: only the differences are known", names(", ")),
        _ => format!(
            "{}: {} can't be told apart by the configurations that ran; run one of them alone",
            names(", "),
            if members.len() == 2 { "these two" } else { "these" }
        ),
    };
    Tied { members, why, known }
}
