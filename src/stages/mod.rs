//! The stages: three kinds, told apart by type and by place in the pipeline file.
//!
//! * log stage: one log in, one log out; runs in parallel, its result is cached;
//! * window stage: one log in, its windows out;
//! * season stage: all windows in, tables out.
//!
//! The config struct of a stage is the stage. To add one: a file, its `mod` line, one line in the
//! registry below. Tests hold every name of the registry to the pipelines and to the page of stages.

pub mod log;
pub mod season;
pub mod window;

use std::cell::Cell;
use std::collections::BTreeMap;
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::config::car::Car;
use crate::config::issue::{Issue, Issues};
use crate::config::run_sheet::RunRow;
use crate::error::{Fatal, LogFault};
use crate::located::Spot;
use crate::table::frame::LogFrame;
use crate::units::{self, Dimension};
use season::SeasonTables;
use window::Found;

/// The log stage that takes channels from the exports.
const READS_EXPORTS: &str = "load";

/// A channel known at some point of the chain.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Name.
    pub name: String,
    /// What it measures.
    pub dimension: Dimension,
    /// The stage that makes it.
    pub made_by: &'static str,
    /// Where that stage stands.
    pub made_at: Spot,
    /// Not every log has it.
    pub optional: bool,
}

/// The channels known at some point of the chain, as the check walks it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Schema(pub Vec<Known>);

impl Schema {
    /// The channel of that name.
    pub fn find(&self, name: &str) -> Option<&Known> {
        self.0.iter().find(|k| k.name == name)
    }
    /// Whether every log has that channel at this point.
    pub fn has(&self, name: &str) -> bool {
        self.find(name).is_some_and(|k| !k.optional)
    }
}

/// What a stage's check may look at and where it leaves its findings.
pub struct CheckCx<'a> {
    /// Pipeline file.
    pub file: &'a Path,
    /// Name of the stage under check.
    pub stage: &'static str,
    /// Where it stands.
    pub spot: Spot,
    /// The car.
    pub car: &'a Car,
    /// Every run-sheet row.
    pub runs: &'a [RunRow],
    /// Window stages of the pipeline.
    pub window_stages: &'a [&'static str],
    /// Names of the quantities that `fit` fits.
    pub fitted: &'a [String],
    /// Channels of the exports that a stage asks for, and which does so first.
    pub demanded: &'a mut BTreeMap<String, &'static str>,
    /// Findings.
    pub issues: &'a mut Issues,
}

impl CheckCx<'_> {
    /// A finding at a place of the pipeline file; `spot.line` 0 stands for the stage itself.
    pub fn fault(&mut self, spot: Spot, message: impl Into<String>, label: impl Into<String>) {
        let spot = if spot.line == 0 { self.spot } else { spot };
        self.issues.push(Issue::at(self.file, spot, message, label));
    }

    /// Demands a channel; reports its lack with the nearest known name.
    pub fn need(&mut self, schema: &Schema, name: &str) -> bool {
        self.need_at(schema, name, Spot::default())
    }

    /// Demands a channel that is named at `spot`.
    pub fn need_at(&mut self, schema: &Schema, name: &str, spot: Spot) -> bool {
        if let Some(known) = schema.find(name) {
            if known.made_by == READS_EXPORTS {
                self.demanded.entry(name.to_owned()).or_insert(self.stage);
            }
            return true;
        }
        let label = match units::nearest(name, schema.0.iter().map(|k| k.name.as_str())).and_then(|n| schema.find(n)) {
            Some(k) => format!(
                "did you mean `{}`? it is made by `{}` at {}:{}",
                k.name, k.made_by, k.made_at.line, k.made_at.column
            ),
            None => format!("needed by `{}`: a channel of the log gets its column in the layout", self.stage),
        };
        let stage = self.stage;
        self.fault(spot, format!("stage `{stage}` needs channel `{name}`, which no earlier stage makes"), label);
        false
    }

    /// Declares a channel that the stage makes.
    pub fn makes(&self, schema: &mut Schema, name: &str, dimension: Dimension) {
        let known =
            Known { name: name.to_owned(), dimension, made_by: self.stage, made_at: self.spot, optional: false };
        schema.0.retain(|k| k.name != name);
        schema.0.push(known);
    }
}

/// What a log stage may use while it runs.
pub struct LogCx<'a> {
    /// The log's file.
    pub path: &'a Path,
    /// Its name without folder.
    pub log: &'a str,
    /// The car.
    pub car: &'a Car,
    /// The run-sheet rows that name this log, in file order.
    pub runs: &'a [RunRow],
    /// The channels and quantities that any stage of the plan needs; nothing else is parsed.
    pub needed: &'a [String],
    /// Names of the quantities that the windows summarise.
    pub quantities: &'a [String],
    /// A season stage wants the road load of every coasting stretch.
    pub road_load: bool,
    /// The file's bytes, where they were read already; `load` takes them.
    pub bytes: Option<&'a Cell<Vec<u8>>>,
}

/// One log in, one log out.
pub trait LogStage: Sync {
    /// Checks the stage against what is known before it; returns what is known after it.
    fn check(&self, input: Schema, cx: &mut CheckCx) -> Schema;
    /// Channels it reads from the log if they are there, given what the car and options ask for.
    fn reads(&self) -> Vec<&str>;
    /// Runs on one log.
    ///
    /// # Errors
    /// The fault that sets this log aside.
    fn run(&self, log: LogFrame, cx: &LogCx) -> Result<LogFrame, LogFault>;
}

/// One log in, its windows out.
pub trait WindowStage: Sync {
    /// Checks the stage against the channels of the finished log.
    fn check(&self, input: &Schema, cx: &mut CheckCx);
    /// Channels its rules read.
    fn reads(&self) -> Vec<&str>;
    /// Whether it finds coasting, whose road load a season stage may want.
    fn finds_coasting(&self) -> bool {
        false
    }
    /// Selects windows, and says what each rule cost; `peaks` finds highest loads instead.
    ///
    /// # Errors
    /// The fault that sets this log aside.
    fn run(&self, log: &LogFrame, cx: &LogCx) -> Result<Found, LogFault>;
}

/// What a season stage may use.
pub struct SeasonCx<'a> {
    /// Season name.
    pub season: &'a str,
    /// The car.
    pub car: &'a Car,
    /// Every run-sheet row.
    pub runs: &'a [RunRow],
    /// Density that forces are reported at, kg/m³.
    pub reference_density: f64,
    /// Folder of the tables, where those of other seasons lie.
    pub tables: &'a Path,
    /// The drive force is measured at the wheels, coasting too: the car file's loss is not asked for.
    pub at_wheels: bool,
    /// Content hashes of the logs that are used.
    pub logs: &'a [String],
    /// Where fits of former runs are found; `None` for nowhere.
    pub kept: Option<&'a dyn season::fit::kept::Kept>,
}

/// All windows in; its table goes into the season's tables.
pub trait SeasonStage: Sync {
    /// Checks the stage; `before` names the season stages that ran before it.
    fn check(&self, input: &Schema, before: &[&'static str], cx: &mut CheckCx);
    /// Quantities that it needs measured in every window.
    fn quantities(&self) -> Vec<String> {
        Vec::new()
    }
    /// Whether it wants the road load of every coasting stretch; else nobody works it out.
    fn wants_road_load(&self) -> bool {
        false
    }
    /// Runs on the season.
    ///
    /// # Errors
    /// Only what must end the run; a fit that fails is a row with its reason.
    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal>;
}

macro_rules! registry {
    ($(#[$doc:meta])* $enum:ident : $trait:ident { $($(#[$vdoc:meta])* $variant:ident($ty:ty) = $name:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum $enum { $($(#[$vdoc])* $variant($ty),)* }
        impl $enum {
            /// Names of all stages of this kind, as written in a pipeline.
            pub const NAMES: &[&'static str] = &[$($name,)*];
            /// The stage's name.
            pub fn name(&self) -> &'static str { match self { $(Self::$variant(_) => $name,)* } }
            /// The stage.
            pub fn stage(&self) -> &dyn $trait { match self { $(Self::$variant(s) => s,)* } }
        }
    };
}

registry! {
    /// A log stage in a pipeline.
    LogStep: LogStage {
        /// Reads the exports.
        Load(log::load::Load) = "load",
        /// Brings all channels to one time base, finds outings, assigns runs.
        Align(log::align::Align) = "align",
        /// Air density and air speed.
        Air(log::air::Air) = "air",
        /// Axle downforce from dampers or load cells.
        Loads(log::loads::Loads) = "loads",
        /// Resistance from wheel or shaft torque, or coasting.
        Resistance(log::resistance::Resistance) = "resistance",
    }
}

registry! {
    /// A window stage in a pipeline.
    WindowStep: WindowStage {
        /// Straight running at constant speed.
        Steady(window::steady::Steady) = "steady",
        /// Straight coasting.
        Coastdown(window::coastdown::Coastdown) = "coastdown",
        /// Any straight running without the brake.
        Straight(window::straight::Straight) = "straight",
        /// The highest wheel loads and the top speed.
        Peaks(window::peaks::Find) = "peaks",
    }
}

registry! {
    /// A season stage in a pipeline.
    SeasonStep: SeasonStage {
        /// Downforce, drag and other quantities against effective v², per configuration.
        Fit(season::fit::Fit) = "fit",
        /// Differences between configurations.
        Compare(season::compare::Compare) = "compare",
        /// Second opinions from evidence that the fit did not use.
        CrossCheck(season::cross_check::CrossCheck) = "cross_check",
        /// What each part and each wing step is worth.
        Parts(season::parts::Parts) = "parts",
        /// What named combinations will do, ran or not.
        Predict(season::predict::Predict) = "predict",
        /// Every combination of parts and wing positions, under limits.
        Rank(season::rank::Rank) = "rank",
        /// Agreement with tunnel or CFD figures.
        Expected(season::expected::Expected) = "expected",
        /// Values that must be kept.
        Limits(season::limits::Limits) = "limits",
        /// Estimated tyre loads against the load index.
        Tyres(season::tyres::Tyres) = "tyres",
        /// Power for the air, and the speed that a power reaches.
        Energy(season::energy::Energy) = "energy",
        /// Did a number move from event to event, or from season to season?
        History(season::history::History) = "history",
    }
}
