//! `fit`: every quantity against effective v², per configuration.

pub mod doubts;
pub mod drift;
pub mod estimate;
pub mod evidence;
pub mod kept;
pub mod lack_of_fit;
pub mod model;
pub mod odd_logs;
pub mod rows;
pub mod scatter;
pub mod screen;
#[cfg(test)]
pub(super) mod tests;
pub mod window_table;

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DMatrix;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::evidence::Evidence;
use self::kept::{Kept, Solved};
use self::lack_of_fit::Bend;
use self::model::{Blocks, Model, Pair};
use self::scatter::{OfSession, Scatter};
use self::screen::Finding;
use super::SeasonTables;
use super::air_speed::{Unlike, unlike_ground};
use super::regressors::{CAR_FILE_KNOWN_TO, regressors};
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::numerics::blocked::Pooled;
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage, WindowStep};
use crate::table::flags::UNLIKE_ITS_CONFIGURATION;
use crate::units::{Ratio, Speed, nearest};

/// Least squares against effective v²: front and rear downforce, drag and other quantities of every configuration.
///
/// One zero per outing, wind per session, errors by session. All other season stages need it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Fit {
    /// What is fitted: `front_downforce`, `rear_downforce`, `drag`, or any channel.
    pub quantities: Vec<Located<String>>,
    /// Reference speed.
    pub at: Located<Speed>,
    /// Where the wind comes from.
    #[serde(default)]
    pub wind: Wind,
    /// What an intercept belongs to.
    #[serde(default)]
    pub zero: Zero,
    /// How outlying windows are treated.
    #[serde(default)]
    pub method: Method,
    /// How windows are weighted.
    #[serde(default)]
    pub weights: Weights,
    /// Let in as unknowns of the whole season what the car file alone would have to be trusted for. `straight` windows
    /// need `transfer` and `curvature`.
    #[serde(default = "let_in")]
    pub let_in: Vec<LetIn>,
    /// Kinds of window that count as evidence: `steady`, `coastdown`, `straight`. No second counts twice: a `straight` window
    /// that meets one of another kind which counts does not.
    #[serde(default = "kinds")]
    pub windows: Vec<Located<String>>,
    /// Scatter of a coefficient from session to session that is assumed where the logs can't show it.
    #[serde(default = "scatter")]
    pub assumed_session_scatter: Located<Ratio>,
}

fn kinds() -> Vec<Located<String>> {
    ["steady", "coastdown"].into_iter().map(|k| Located::nowhere(k.to_owned())).collect()
}
fn let_in() -> Vec<LetIn> {
    vec![LetIn::Coasting]
}
/// Common practice, no source.
fn scatter() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.03))
}

/// Where the wind comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Wind {
    /// Estimated per session from straights of different heading, around the mean of what the run sheet says. How
    /// gusty each session was is estimated too: a gust puts all quantities of a window off together.
    Estimate,
    /// As the run sheet says, run by run; still air where it says nothing (flag `wind_unknown`).
    RunSheet,
    /// Still air.
    #[default]
    None,
}

/// A regressor beside effective v², one coefficient per quantity for the whole season; none where it never varies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LetIn {
    /// Acceleration along x: corrects m·h/L (and, for resistance, the effective mass).
    Transfer,
    /// Vertical acceleration: crests and dips.
    Curvature,
    /// What windows of coasting read more than others whatever the speed: the driveline's loss beside that of the car
    /// file, and dampers whose friction holds them back while the car sinks less and less.
    Coasting,
    /// Time since the outing's first window: sensors that warm up in every outing alike. It costs width where speeds
    /// rise or fall through the outings.
    Drift,
}

impl LetIn {
    /// Index into the regressors of an observation.
    fn index(self) -> usize {
        match self {
            Self::Transfer => 0,
            Self::Curvature => 1,
            Self::Coasting => 2,
            Self::Drift => 3,
        }
    }
}

/// What an intercept belongs to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Zero {
    /// One per outing: sensor zeros drift between outings.
    #[default]
    PerOuting,
    /// One per configuration.
    PerConfiguration,
    /// None where the car stood before the outing: what the sensors said then is taken off. Damper friction goes
    /// into it whole. Elsewhere (flag `zero_not_static`), and for the resistance, one per outing.
    StaticSegment,
}

/// How outlying windows are treated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Huber's M-estimator, k = 1.345.
    #[default]
    Robust,
    /// Weighted least squares.
    Ordinary,
}

/// How windows are weighted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weights {
    /// By their own standard error and the spread between windows.
    #[default]
    Precision,
    /// All alike.
    Equal,
}

/// How often the sessions are held against each other.
const PASSES: usize = 3;

/// What `fit` found, for the stages after it.
#[derive(Clone, Debug, Default)]
pub struct SeasonFit {
    /// Names of the measured quantities; `resistance` stands for what drag is made of.
    pub quantities: Vec<String>,
    /// Names of the fitted quantities as asked for, and what they are made of.
    pub reported: Vec<String>,
    /// The observations.
    pub evidence: Evidence,
    /// The solved model.
    pub model: Model,
    /// Per shared column: the session that alone determines it, where there is one.
    pub lone: Vec<Option<usize>>,
    /// Per block and row, the window it belongs to.
    pub windows_of_rows: Vec<Vec<usize>>,
    /// How far every pair is from the square law.
    pub bends: BTreeMap<Pair, Bend>,
    /// Scatter from session to session.
    pub scatter: Scatter,
    /// Covariance of the relative errors of a whole session, quantities × quantities.
    pub factors: DMatrix<f64>,
    /// The same where one session stands alone or is still to come.
    pub of_session: OfSession,
    /// What all sessions show of the scatter of coefficients, that of windows inside their sessions (HC3) in it; `None`
    /// without a fit.
    pub pooled: Option<Pooled>,
    /// Rolling resistance coefficient of the car.
    pub rolling_resistance: f64,
    /// Reference speed, m/s.
    pub speed: f64,
    /// Reference density, kg/m³.
    pub density: f64,
    /// The estimator in words.
    pub method: String,
    /// The options it was made with.
    pub options: Option<Fit>,
    /// How every session agrees with the others.
    pub findings: Vec<Finding>,
    /// How the measured air speed does not go with the speed over ground, where it does not.
    pub air_speed: Option<Unlike>,
    /// Configurations and quantities about which the only two sessions that ran them contradict each other.
    pub contradicted: BTreeSet<Pair>,
    /// Configurations that rest on logs of which something is odd, with those logs' flags.
    pub odd: BTreeMap<usize, BTreeSet<&'static str>>,
}

/// What a fit needs beside its observations.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    /// Names of the measured quantities.
    pub quantities: &'a [String],
    /// Rolling resistance coefficient of the car.
    pub rolling_resistance: f64,
    /// Reference density, kg/m³.
    pub density: f64,
    /// Where the iteration may have been kept by a former run; `None` for nowhere.
    pub kept: Option<&'a dyn Kept>,
}

impl Fit {
    /// Whether windows of a kind count as evidence.
    pub fn takes(&self, kind: &str) -> bool {
        self.windows.iter().any(|k| k.value == kind)
    }

    /// What has to be measured for a quantity as asked for.
    fn measured(name: &str) -> &str {
        if name == "drag" { "resistance" } else { name }
    }

    fn describe(&self) -> String {
        let weights = match self.weights {
            Weights::Equal => "equal weights",
            Weights::Precision => "precision weights",
        };
        let method = match self.method {
            Method::Robust => "Huber 1.345",
            Method::Ordinary => "least squares",
        };
        let zero = match self.zero {
            Zero::PerOuting => "zero per outing",
            Zero::PerConfiguration => "zero per configuration",
            Zero::StaticSegment => "zero from the standing car",
        };
        let wind = match self.wind {
            Wind::Estimate => "wind and gusts estimated per session",
            Wind::RunSheet => "wind from the run sheet",
            Wind::None => "no wind",
        };
        format!("{method}, {weights}, {zero}, {wind}, CR2 by session, few sessions held against the scatter of all")
    }

    /// Fits what the windows hold.
    pub fn solve(&self, tables: &SeasonTables, cx: &SeasonCx) -> SeasonFit {
        let evidence = evidence::collect(&tables.windows, tables.quantities.len(), self, cx.runs);
        let given = Given {
            quantities: &tables.quantities,
            rolling_resistance: cx.car.rolling_resistance.get(),
            density: cx.reference_density,
            kept: cx.kept,
        };
        self.solve_evidence(evidence, given)
    }

    /// The same from observations.
    pub fn solve_evidence(&self, evidence: Evidence, given: Given) -> SeasonFit {
        let mut fit = self.solve_once(evidence, given);
        // A session that is left out shifts what the others are held against, so look again.
        for _ in 0..PASSES {
            fit.findings = screen::screen(&fit);
            let out: BTreeSet<(usize, usize)> =
                fit.findings.iter().filter(|f| f.implausible).map(|f| (f.session, f.quantity)).collect();
            if out == fit.evidence.left_out {
                break;
            }
            let mut evidence = std::mem::take(&mut fit.evidence);
            evidence.left_out = out;
            let findings = std::mem::take(&mut fit.findings);
            fit = self.solve_once(evidence, given);
            fit.findings = findings;
        }
        fit.findings.sort_by_key(|f| (f.session, f.quantity));
        fit.contradicted = screen::contradicted(&fit);
        fit
    }

    /// The same without a look at sessions that disagree; those that the evidence leaves out stay out.
    pub fn solve_once(&self, evidence: Evidence, given: Given) -> SeasonFit {
        let Given { quantities, rolling_resistance, density, kept } = given;
        let solved = Solved::of(&evidence, quantities.len(), self, kept);
        let mut fit = SeasonFit {
            quantities: quantities.to_vec(),
            reported: self.reported(),
            evidence,
            model: solved.model,
            windows_of_rows: solved.windows_of_rows,
            bends: solved.bends,
            rolling_resistance,
            speed: self.at.get(),
            density,
            method: self.describe(),
            options: Some(self.clone()),
            ..Default::default()
        };
        let alone = |sessions: &Vec<usize>| match sessions.as_slice() {
            [] => Some(usize::MAX),
            [one] => Some(*one),
            _ => None,
        };
        fit.lone = scatter::sessions_of_columns(&fit.model).iter().map(alone).collect();
        let Some(inference) = &fit.model.fit else { return fit };
        let within = solved.within;
        let scatter = scatter::pooled(&fit, &within, self.assumed_session_scatter.get());
        let factors = scatter::factors(&fit, &within, scatter);
        let of_session = OfSession::new(&fit, &factors, scatter);
        let common = inference.common_covariance(&solved.moved, &factors);
        let pooled = Pooled { within, common, dof: scatter::dof_of_all(&fit.model, scatter) };
        (fit.scatter, fit.factors, fit.pooled) = (scatter, factors, Some(pooled));
        fit.of_session = of_session;
        fit
    }

    /// Rows of the fits table: what was asked for, and the apparent resistance beside the drag.
    fn reported(&self) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        for q in &self.quantities {
            out.push(q.value.clone());
            if q.value == "drag" {
                out.push("resistance".to_owned());
            }
        }
        out
    }
}

impl SeasonFit {
    /// The blocks that the fit solved; `None` where nothing was fitted.
    pub fn blocks(&self) -> Option<Blocks<'_>> {
        let options = self.options.as_ref()?;
        self.model.blocks(&self.evidence, self.quantities.len(), options)
    }
}

impl SeasonStage for Fit {
    fn check(&self, input: &Schema, _before: &[&'static str], cx: &mut CheckCx) {
        for (i, q) in self.quantities.iter().enumerate() {
            if self.quantities.iter().take(i).any(|earlier| earlier.value == q.value) {
                cx.fault(q.spot, format!("`fit` names `{}` twice", q.value), "once is enough");
            } else if q.value == "drag" {
                if input.find("net_drive").is_none() {
                    let message = "stage `fit` needs the resistance for `drag`, which no earlier stage makes";
                    cx.fault(q.spot, message, "add the log stage `resistance`");
                }
            } else if input.find(&q.value).is_none() && nearest(&q.value, ["drag"]).is_some() {
                let message = format!("stage `fit` needs channel `{}`, which no earlier stage makes", q.value);
                cx.fault(q.spot, message, "did you mean `drag`?");
            } else {
                cx.need_at(input, &q.value, q.spot);
            }
        }
        if self.quantities.is_empty() {
            cx.fault(Spot::default(), "`fit` names no quantity", "for example front_downforce, rear_downforce, drag");
        }
        stated::check(&self.at, None, cx);
        for k in &self.windows {
            let kinds: Vec<&str> = WindowStep::NAMES.iter().copied().filter(|n| *n != "peaks").collect();
            if !kinds.contains(&k.value.as_str()) {
                let label = format!("known: {}", kinds.join(", "));
                cx.fault(k.spot, format!("unknown kind of window `{}`", k.value), label);
            } else if k.spot.line > 0 && !cx.window_stages.contains(&k.value.as_str()) {
                let message = format!("no window stage makes `{}` windows", k.value);
                cx.fault(k.spot, message, format!("add the window stage `{}`, or take the kind out", k.value));
            }
        }
        let unsaid = self.windows.iter().all(|k| k.spot.line == 0) && !cx.window_stages.is_empty();
        if unsaid && !self.windows.iter().any(|k| cx.window_stages.contains(&k.value.as_str())) {
            let made = cx.window_stages.join(", ");
            let message = "no window stage makes what `fit` takes as evidence";
            cx.fault(Spot::default(), message, format!("made: {made}; `windows` says which kinds count"));
        }
        if self.wind == Wind::Estimate && input.find("course").is_none() {
            let message = "`wind: estimate` needs channel `course`: the wind shows in straights of different heading";
            cx.fault(Spot::default(), message, "no earlier stage makes `course`; use `run_sheet` or `none`, or log it");
        }
    }

    fn quantities(&self) -> Vec<String> {
        self.quantities.iter().map(|q| Self::measured(&q.value).to_owned()).collect()
    }

    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal> {
        let mut fit = self.solve(tables, cx);
        fit.air_speed = unlike_ground(&tables.windows, fit.speed);
        tables.odd_logs = odd_logs::odd_logs(&fit, &tables.windows);
        // What rests on them says so.
        for w in tables.windows.iter_mut().filter(|w| tables.odd_logs.contains_key(&w.log)) {
            w.flags.push(UNLIKE_ITS_CONFIGURATION.to_owned());
            w.flags.sort_unstable();
        }
        fit.odd = odd_logs::configurations(&fit, &tables.windows);
        tables.winds = rows::winds(&fit);
        tables.agreement = rows::agreement(&fit);
        odd_logs::point_to_them(tables);
        tables.fits = rows::fits(&fit, tables);
        tables.configurations = rows::configurations(&fit, tables);
        tables.regressors = regressors(&fit, tables, cx, CAR_FILE_KNOWN_TO);
        tables.drifts = drift::drifts(&fit);
        tables.model = Some(fit);
        Ok(())
    }
}
