//! Definitions to a checked plan: every static check of the chain, what has to be read, and the plan
//! in words.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use crate::config::issue::Issues;
use crate::config::pipeline::Pipeline;
use crate::config::read::Definitions;
use crate::located::{Located, Spot};
use crate::stages::log::resistance::DriveForce;
use crate::stages::season::fit::evidence::counted;
use crate::stages::window::Window;
use crate::stages::window::select::ALWAYS;
use crate::stages::{CheckCx, LogStep, Schema, SeasonStep, WindowStep};
use crate::units::Dimension;

/// A chain that has passed all checks; a wrong order of kinds can't be written down.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The definitions it was made of.
    pub definitions: Arc<Definitions>,
    /// Channels and columns that any stage needs, sorted: nothing else is parsed.
    pub needed: Vec<String>,
    /// Channels of the exports that a stage asks for, and which does so first.
    pub demanded: BTreeMap<String, &'static str>,
    /// Quantities that the windows summarise, in the order of the measures.
    pub quantities: Vec<String>,
    /// SI unit symbol of each quantity.
    pub units: Vec<String>,
}

impl Plan {
    /// Whether a season stage wants the road load of every coasting stretch.
    pub fn wants_road_load(&self) -> bool {
        self.pipeline().season_wide.iter().any(|step| step.value.stage().wants_road_load())
    }

    /// Whether the drive force is measured at the wheels.
    pub fn measures_at_wheels(&self) -> bool {
        let at_wheels = |step: &LogStep| matches!(step, LogStep::Resistance(r) if r.from == DriveForce::WheelTorque);
        self.pipeline().per_log.iter().any(|step| at_wheels(&step.value))
    }

    /// How many of a log's windows count as evidence of the fit.
    pub fn evidence_of(&self, windows: &[Window]) -> usize {
        let mut fits = self.pipeline().season_wide.iter().filter_map(|step| match &step.value {
            SeasonStep::Fit(fit) => Some(fit),
            _ => None,
        });
        fits.next().map_or(windows.len(), |fit| counted(windows, fit))
    }

    /// Checks the chain of stages.
    ///
    /// # Errors
    /// Every fault found, with its place in the pipeline file.
    pub fn new(definitions: Definitions) -> Result<Self, Issues> {
        let mut issues = Issues::default();
        let (schema, needed, demanded, quantities) = {
            let window_stages = definitions.pipeline.windows.iter().map(|s| s.value.name()).collect();
            let fits = definitions.pipeline.season_wide.iter().filter_map(|s| match &s.value {
                SeasonStep::Fit(fit) => Some(&fit.quantities),
                _ => None,
            });
            let fitted = fits.flatten().map(|q| q.value.clone()).collect();
            let mut walk = Walk {
                definitions: &definitions,
                window_stages,
                fitted,
                demanded: BTreeMap::new(),
                issues: &mut issues,
            };
            let schema = walk.log_stages();
            // Without `align` they lack what it makes, and that was said.
            if walk.aligned() {
                walk.window_stages(&schema);
            }
            let quantities = walk.season_stages(&schema);
            (schema, walk.needed(&quantities), walk.demanded, quantities)
        };
        issues.into_result()?;
        let units = quantities
            .iter()
            .map(|q| schema.find(q).map_or(Dimension::Force, |k| k.dimension).si().to_owned())
            .collect();
        Ok(Self { definitions: Arc::new(definitions), needed, demanded, quantities, units })
    }

    /// Density that forces are reported at, kg/m³: that of `air`, or ISO 2533's at sea level.
    pub fn reference_density(&self) -> f64 {
        let of_air = self.pipeline().per_log.iter().find_map(|s| match &s.value {
            LogStep::Air(air) => Some(air.reference_density.get()),
            _ => None,
        });
        of_air.unwrap_or(1.225)
    }

    /// Channels of the exports that outlive the log stages, sorted: what window stages and quantities read.
    /// What the log stages made themselves is kept whole.
    pub fn kept(&self) -> Vec<&str> {
        let of_stages = self.pipeline().windows.iter().flat_map(|s| s.stage().reads());
        let mut all: Vec<&str> =
            of_stages.chain(ALWAYS.iter().copied()).chain(self.quantities.iter().map(String::as_str)).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Fingerprint of the program's version and of every definition, in hexadecimal.
    pub fn fingerprint(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(env!("CARGO_PKG_VERSION").as_bytes());
        for source in &self.definitions.sources {
            hasher.update(source.hash.as_bytes());
        }
        hasher.finalize().to_hex().as_str()[..16].to_owned()
    }

    /// The pipeline.
    pub fn pipeline(&self) -> &Pipeline {
        &self.definitions.pipeline
    }
}

struct Walk<'a> {
    definitions: &'a Definitions,
    /// Names of the window stages.
    window_stages: Vec<&'static str>,
    /// Names of the quantities that are fitted.
    fitted: Vec<String>,
    demanded: BTreeMap<String, &'static str>,
    issues: &'a mut Issues,
}

impl Walk<'_> {
    fn cx(&mut self, stage: &'static str, spot: Spot) -> CheckCx<'_> {
        CheckCx {
            file: &self.definitions.pipeline_path,
            stage,
            spot,
            car: &self.definitions.car,
            runs: &self.definitions.runs.rows,
            window_stages: &self.window_stages,
            fitted: &self.fitted,
            demanded: &mut self.demanded,
            issues: self.issues,
        }
    }

    fn log_stages(&mut self) -> Schema {
        let steps = &self.definitions.pipeline.per_log;
        self.repeated(steps, LogStep::name);
        let mut schema = Schema::default();
        match steps.first() {
            Some(first) if !matches!(first.value, LogStep::Load(_)) => {
                self.cx(first.name(), first.spot).fault(
                    first.spot,
                    "the first log stage must be `load`",
                    "reads nothing yet",
                );
            }
            None => self.cx("load", Spot::default()).fault(Spot::default(), "`per_log` is empty", "begin with `load`"),
            _ => {}
        }
        for step in steps {
            schema = step.stage().check(schema, &mut self.cx(step.name(), step.spot));
        }
        if !steps.is_empty() && !self.aligned() {
            let mut cx = self.cx("align", Spot::default());
            cx.fault(
                Spot::default(),
                "`per_log` has no `align`: windows need one time base and the run of every sample",
                "add it after `load`",
            );
        }
        schema
    }

    fn aligned(&self) -> bool {
        self.definitions.pipeline.per_log.iter().any(|s| matches!(s.value, LogStep::Align(_)))
    }

    fn window_stages(&mut self, schema: &Schema) {
        let steps = &self.definitions.pipeline.windows;
        self.repeated(steps, WindowStep::name);
        if steps.is_empty() {
            self.cx("windows", Spot::default()).fault(Spot::default(), "`windows` is empty", "add `steady`");
        }
        for step in steps {
            step.stage().check(schema, &mut self.cx(step.name(), step.spot));
        }
    }

    fn season_stages(&mut self, schema: &Schema) -> Vec<String> {
        let steps = &self.definitions.pipeline.season_wide;
        self.repeated(steps, SeasonStep::name);
        let (mut before, mut quantities) = (Vec::new(), Vec::new());
        for step in steps {
            step.stage().check(schema, &before, &mut self.cx(step.name(), step.spot));
            before.push(step.name());
            for q in step.stage().quantities() {
                if !quantities.contains(&q) {
                    quantities.push(q);
                }
            }
        }
        quantities
    }

    /// A stage stands once in its part of the chain.
    fn repeated<S>(&mut self, steps: &[Located<S>], name: impl Fn(&S) -> &'static str) {
        for (i, step) in steps.iter().enumerate() {
            if let Some(first) = steps.iter().take(i).find(|s| name(s) == name(step)) {
                let at = format!("it stands at line {} already", first.spot.line);
                self.cx(name(step), step.spot).fault(step.spot, format!("stage `{}` stands twice", name(step)), at);
            }
        }
    }

    fn needed(&self, quantities: &[String]) -> Vec<String> {
        let p = &self.definitions.pipeline;
        let mut all: Vec<String> = p
            .per_log
            .iter()
            .flat_map(|s| s.stage().reads())
            .chain(p.windows.iter().flat_map(|s| s.stage().reads()))
            .map(str::to_owned)
            .chain(quantities.iter().cloned())
            .collect();
        all.sort();
        all.dedup();
        all
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let p = self.pipeline();
        let list = |names: Vec<&str>| names.join(" > ");
        writeln!(f, "season {}", p.season.value)?;
        writeln!(f, "  each log   {}", list(p.per_log.iter().map(|s| s.name()).collect()))?;
        writeln!(f, "  windows    {}", list(p.windows.iter().map(|s| s.name()).collect()))?;
        writeln!(f, "  season     {}", list(p.season_wide.iter().map(|s| s.name()).collect()))?;
        write!(f, "  measures   {}", self.quantities.join(", "))
    }
}
