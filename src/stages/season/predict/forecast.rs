//! What a combination will do: every figure with the interval of its mean and that of a new session, and by name
//! whatever of it lies outside of what has run.

use std::collections::{BTreeMap, BTreeSet};

use super::balance::{Position, range, solve, why};
use crate::numerics::distributions::p_value;
use crate::stages::season::SeasonTables;
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::doubts::Doubts;
use crate::stages::season::fit::estimate::{Estimate, rolling_left};
use crate::stages::season::parts::model::{Gap, PartsFit};
use crate::stages::season::parts::rows::not_additive;
use crate::stages::season::parts::terms::Combination;
use crate::table::flags::{DIVISOR_NOT_RESOLVED, ROLLING_NOT_TAKEN_OFF, meaning, of_a_log};
use crate::units::Unit;

/// Where the wing stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wing {
    /// At its reference position, if the season has one.
    Reference,
    /// At a position.
    At(f64),
    /// Where it gives this front share of the downforce.
    Balance(f64),
}

/// What is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Wish {
    /// Parts fitted.
    pub parts: BTreeSet<String>,
    /// Wing position.
    pub wing: Wing,
    /// Speed that forces are given at, m/s.
    pub speed: f64,
}

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Name as in the tables.
    pub quantity: String,
    /// SI unit.
    pub unit: String,
    /// The mean and its interval; `None` where it is not known.
    pub estimate: Option<Estimate>,
    /// The interval that a new session is expected in.
    pub session: Option<(f64, f64)>,
    /// What makes it doubtful beside that: of the fit, and of the logs that it rests on.
    pub flags: BTreeSet<&'static str>,
}

/// What lies outside of what has run, or is not known.
#[derive(Clone, Debug, PartialEq)]
pub enum Remark {
    /// No configuration ran with exactly these parts at this wing position.
    NeverRan,
    /// The wing position lies outside of those that ran.
    WingOutside { at: f64, range: (f64, f64) },
    /// The speed lies outside of the windows.
    SpeedOutside { at: f64, range: (f64, f64) },
    /// Terms that can't be told apart.
    NotKnown(String),
    /// Parts do not simply add.
    NotAdditive { quantity: String, p: f64 },
    /// Configurations that the run sheet describes alike, each of which may have run so.
    Several(Vec<String>),
    /// Part of it hangs on one session.
    OneSession,
    /// The drag holds what the tyres' rolling takes with the downforce, which is not fitted.
    RollingLeft,
    /// What the numbers rest on is doubtful; the flag.
    Rests(&'static str),
    /// No wing position gives the balance.
    OutOfReach { wanted: f64, ends: [(f64, f64); 2], sought: (f64, f64) },
    /// The position has no end on at least one side.
    WingUnclear,
}

impl Remark {
    /// Stable code.
    pub fn flag(&self) -> &'static str {
        match self {
            Self::NeverRan => "combination_never_ran",
            Self::WingOutside { .. } => "wing_outside_of_range",
            Self::SpeedOutside { .. } => "speed_outside_of_windows",
            Self::NotKnown(_) => "not_separable",
            Self::NotAdditive { .. } => "not_additive",
            Self::Several(_) => "described_alike",
            Self::OneSession => "session_scatter_not_visible",
            Self::RollingLeft => ROLLING_NOT_TAKEN_OFF,
            Self::Rests(flag) => flag,
            Self::OutOfReach { .. } => "balance_out_of_reach",
            Self::WingUnclear => "wing_effect_not_clear",
        }
    }

    /// In words, speeds in the given unit.
    pub fn words(&self, speed: Unit) -> String {
        let v = |si: f64| format!("{:.0}", speed.from_si(si));
        match self {
            Self::NeverRan => "this combination never ran: its parts are added up".to_owned(),
            Self::WingOutside { at, range } => {
                format!("wing position {} lies outside of those that ran, {} to {}", position(*at), range.0, range.1)
            }
            Self::SpeedOutside { at, range } => {
                let (low, high, unit) = (v(range.0), v(range.1), speed.symbol);
                format!("{} {unit} lies outside of the windows, {low} to {high} {unit}", v(*at))
            }
            Self::NotKnown(why) => why.clone(),
            Self::NotAdditive { quantity, p } => {
                format!(
                    "parts do not simply add for {} ({}): name an interaction",
                    quantity.replace('_', " "),
                    p_value(*p)
                )
            }
            Self::Several(names) => format!(
                "the run sheet describes {} alike: this is the mean of them all; name the parts or wing position that \
                 tells them apart",
                names.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")
            ),
            Self::OneSession => "part of it hangs on one session: its scatter is assumed, not seen".to_owned(),
            Self::RollingLeft => {
                "the downforce is not fitted: the drag holds what the tyres' rolling takes with it".to_owned()
            }
            Self::Rests(flag) => format!("{flag}: {}", meaning(flag)),
            Self::OutOfReach { wanted, ends: [a, b], sought } => format!(
                "no wing position gives a balance of {:.2} %: those that ran go from {:.2} % at {} to {:.2} % at {}, \
                 and none from {} to {} does",
                100.0 * wanted,
                100.0 * a.1,
                a.0,
                100.0 * b.1,
                b.0,
                position(sought.0),
                position(sought.1)
            ),
            Self::WingUnclear => {
                "the wing's effect on the balance is not clear of zero: the position has no interval".to_owned()
            }
        }
    }
}

fn position(at: f64) -> String {
    let text = format!("{at:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    /// The combination; its wing position is the solved one where a balance was asked for.
    pub combination: Combination,
    /// Speed, m/s.
    pub speed: f64,
    /// The position that a wanted balance needs.
    pub position: Option<Position>,
    /// Figures; none where no wing position gives the balance.
    pub figures: Vec<Figure>,
    /// Remarks.
    pub remarks: Vec<Remark>,
    /// The configuration that ran exactly so.
    pub ran_as: Option<String>,
}

/// What the season knows.
pub struct Ground<'a> {
    parts: &'a PartsFit,
    units: &'a [String],
    /// Lowest and highest speed of the windows behind the fit, m/s.
    speeds: Option<(f64, f64)>,
    /// Quantities whose parts do not add, with the adjusted p-value.
    not_additive: Vec<(String, f64)>,
    /// What is doubtful of the season.
    doubts: Doubts<'a>,
    /// Per quantity that was measured, the flags of the logs behind its fits.
    of_logs: BTreeMap<&'a str, BTreeSet<&'static str>>,
}

impl<'a> Ground<'a> {
    /// From the season's tables after `parts`.
    pub fn new(parts: &'a PartsFit, season: &'a SeasonFit, tables: &'a SeasonTables) -> Self {
        let used: BTreeSet<usize> = season.evidence.observations.iter().map(|o| o.window).collect();
        let speeds = || used.iter().filter_map(|w| tables.windows.get(*w)).map(|w| w.speed);
        let mut of_logs: BTreeMap<&str, BTreeSet<&'static str>> = BTreeMap::new();
        for row in &tables.fits {
            of_logs.entry(&row.quantity).or_default().extend(row.flags.split(',').filter_map(of_a_log));
        }
        Self {
            parts,
            units: &tables.units,
            speeds: speeds().reduce(f64::min).zip(speeds().reduce(f64::max)),
            not_additive: not_additive(&tables.parts),
            doubts: Doubts::of(season),
            of_logs,
        }
    }

    /// The fitted parts.
    pub fn parts(&self) -> &PartsFit {
        self.parts
    }

    /// The configuration that ran exactly so, with windows; the first of those that the run sheet describes alike.
    pub fn ran_as(&self, combination: &Combination) -> Option<String> {
        self.all_ran_as(combination).next()
    }

    fn all_ran_as(&self, combination: &Combination) -> impl Iterator<Item = String> {
        let used = |k: &usize| self.parts.designs.iter().any(|d| d.used.contains(k));
        let same = |k: &usize| self.parts.configurations.get(*k).is_some_and(|c| Combination::of(c) == *combination);
        let found = (0..self.parts.configurations.len()).filter(used).filter(same);
        found.filter_map(|k| self.parts.configurations.get(k)).map(|c| c.name.clone())
    }

    /// Names and units of the figures that this season can have.
    pub fn names(&self) -> Vec<(String, String)> {
        let has = |n: &str| self.parts.quantities.iter().any(|q| q == n);
        let (axles, drag) = (has("front_downforce") && has("rear_downforce"), has("resistance"));
        let mut out: Vec<(String, String)> = Vec::new();
        let mut add = |name: &str, unit: &str| out.push((name.to_owned(), unit.to_owned()));
        for name in ["front_downforce", "rear_downforce"].into_iter().filter(|n| has(n)) {
            add(name, "N");
        }
        for (name, unit, there) in [
            ("downforce", "N", axles),
            ("drag", "N", drag),
            ("balance", "1", axles),
            ("efficiency", "1", axles && drag),
        ] {
            if there {
                add(name, unit);
            }
        }
        for (q, unit) in self.parts.quantities.iter().zip(self.units) {
            if !matches!(q.as_str(), "front_downforce" | "rear_downforce" | "resistance") {
                add(q, unit);
            }
        }
        out
    }

    /// One figure of a combination at a speed, or why it is not known.
    ///
    /// # Errors
    /// Terms that can't be told apart, or a quantity that was not fitted.
    pub fn figure(&self, name: &str, unit: &str, combination: &Combination, speed: f64) -> Result<Figure, Gap> {
        let row = self.parts.terms.row(combination).ok_or(Gap::NotMeasured)?;
        let (derived, _) = self.parts.named(name, &row)?;
        let derived = derived.times(if SeasonFit::is_ratio(name) { 1.0 } else { speed * speed });
        let estimate = self.parts.estimate(&derived);
        let session = estimate.as_ref().and_then(|e| self.parts.new_session(&derived, e));
        let mut flags = self.rests_on(name);
        flags.extend(self.parts.divisor_not_resolved(name, &row).then_some(DIVISOR_NOT_RESOLVED));
        Ok(Figure { quantity: name.to_owned(), unit: unit.to_owned(), estimate, session, flags })
    }

    /// What makes a figure doubtful whatever the combination: parts are told from all configurations together.
    fn rests_on(&self, name: &str) -> BTreeSet<&'static str> {
        let season = self.doubts.fit();
        let made_of = season.made_of(name).into_iter().filter_map(|q| season.quantities.get(q));
        let of_logs = made_of.filter_map(|q| self.of_logs.get(q.as_str())).flatten().copied();
        self.doubts.about(name, &[]).into_iter().chain(of_logs).collect()
    }

    /// Answers a wish.
    pub fn answer(&self, wish: &Wish) -> Forecast {
        let mut out = Forecast {
            combination: Combination { parts: wish.parts.clone(), wing: self.parts.terms.wing_reference },
            speed: wish.speed,
            position: None,
            figures: Vec::new(),
            remarks: Vec::new(),
            ran_as: None,
        };
        match wish.wing {
            Wing::Reference => {}
            Wing::At(at) => out.combination.wing = self.parts.terms.wing_reference.map(|_| at),
            Wing::Balance(wanted) => {
                if !self.place(&mut out, wanted) {
                    return out;
                }
            }
        }
        out.ran_as = self.ran_as(&out.combination);
        for (name, unit) in self.names() {
            let figure = self.figure(&name, &unit, &out.combination, wish.speed).unwrap_or_else(|gap| {
                let why = Remark::NotKnown(why(self.parts, &gap, &name));
                if !out.remarks.contains(&why) {
                    out.remarks.push(why);
                }
                Figure {
                    quantity: name.clone(),
                    unit: unit.clone(),
                    estimate: None,
                    session: None,
                    flags: BTreeSet::new(),
                }
            });
            out.figures.push(figure);
        }
        self.outside(&mut out);
        let doubtful: BTreeSet<&'static str> = out.figures.iter().flat_map(|f| f.flags.iter().copied()).collect();
        out.remarks.extend(doubtful.into_iter().map(Remark::Rests));
        out
    }

    /// Solves for the wanted balance; `false` where there is no position.
    fn place(&self, out: &mut Forecast, wanted: f64) -> bool {
        let position = solve(self.parts, &out.combination.parts, wanted);
        let found = match &position {
            Position::Reached { at, interval, .. } => {
                out.combination.wing = Some(*at);
                if interval.is_none() {
                    out.remarks.push(Remark::WingUnclear);
                }
                true
            }
            Position::OutOfReach { ends, sought } => {
                out.remarks.push(Remark::OutOfReach { wanted, ends: *ends, sought: *sought });
                out.combination.wing = None;
                false
            }
            Position::NotKnown(why) => {
                out.remarks.push(Remark::NotKnown(why.clone()));
                out.combination.wing = None;
                false
            }
        };
        out.position = Some(position);
        found
    }

    /// Flags of a combination, whatever is asked of it.
    pub fn flags(&self, combination: &Combination) -> BTreeSet<&'static str> {
        let mut out = BTreeSet::new();
        out.extend((!self.not_additive.is_empty()).then_some("not_additive"));
        out.extend((self.all_ran_as(combination).count() > 1).then_some("described_alike"));
        out.extend(self.wing_outside(combination).map(|remark| remark.flag()));
        out.extend(rolling_left(&self.parts.quantities).then(|| Remark::RollingLeft.flag()));
        out
    }

    fn wing_outside(&self, combination: &Combination) -> Option<Remark> {
        let (at, range) = combination.wing.zip(range(self.parts))?;
        (!(at >= range.0 && at <= range.1)).then_some(Remark::WingOutside { at, range })
    }

    /// Names what lies outside of what has run.
    fn outside(&self, out: &mut Forecast) {
        if out.ran_as.is_none() {
            out.remarks.push(Remark::NeverRan);
        }
        for (quantity, p) in &self.not_additive {
            out.remarks.push(Remark::NotAdditive { quantity: quantity.clone(), p: *p });
        }
        let alike: Vec<String> = self.all_ran_as(&out.combination).collect();
        if alike.len() > 1 {
            out.remarks.push(Remark::Several(alike));
        }
        out.remarks.extend(self.wing_outside(&out.combination));
        if let Some(range) = self.speeds
            && !(out.speed >= range.0 && out.speed <= range.1)
        {
            out.remarks.push(Remark::SpeedOutside { at: out.speed, range });
        }
        let estimates = || out.figures.iter().filter_map(|f| f.estimate.as_ref());
        if estimates().any(|e| e.flags.contains(&"session_scatter_not_visible")) {
            out.remarks.push(Remark::OneSession);
        }
        out.remarks.extend(rolling_left(&self.parts.quantities).then_some(Remark::RollingLeft));
    }
}
