//! `coastdown`: straight coasting, no drive, no brake.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::select::{
    Cut, LATERAL, Piece, Rule, SPEED, STEERING, THROTTLE, braking_rules, check_braking, check_lasting, check_positive,
    pieces, window,
};
use super::{Coast, Found};
use crate::error::LogFault;
use crate::located::Located;
use crate::physics::coastdown;
use crate::stages::{CheckCx, LogCx, Schema, WindowStage};
use crate::table::frame::LogFrame;
use crate::units::{Acceleration, Angle, Pressure, Range, Ratio, Time, of};

/// Share of the first speed that a stretch must fall below for the integral form (common practice, no source).
const SLOWED: f64 = 0.85;

/// Straight coasting: no drive, no brake, the clutch open or in neutral.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Coastdown {
    /// Speeds that count.
    pub speed: Located<Range<of::Speed>>,
    /// Shortest stretch that counts, and longest that is looked at in one go.
    pub lasting: Located<Range<of::Time>>,
    /// Length of the windows that a stretch is cut into.
    #[serde(default = "piece")]
    pub piece: Located<Time>,
    /// Largest lateral acceleration, either way.
    #[serde(default = "lateral")]
    pub lateral: Located<Acceleration>,
    /// Largest steering wheel angle, either way; not looked at where left out.
    #[serde(default)]
    pub steering: Option<Located<Angle>>,
    /// Largest throttle that is still coasting.
    #[serde(default = "throttle")]
    pub throttle: Located<Ratio>,
    /// Smallest clutch pedal travel that opens the clutch. Coasting needs it open, or neutral.
    #[serde(default = "clutch")]
    pub clutch: Located<Ratio>,
    /// Largest brake pressure that is still coasting.
    #[serde(default = "brake")]
    pub brake: Located<Pressure>,
    /// The most that the car slows down by itself, as a deceleration, for example `0.25 g`: more is braking. Needed
    /// where `brake_pressure` is not logged; lighter braking than this passes unseen then.
    #[serde(default)]
    pub deceleration: Option<Located<Acceleration>>,
    /// Time at the start of a stretch that is left out, for the car to settle.
    #[serde(default = "settle")]
    pub settle: Located<Time>,
}

// Defaults: common practice, no source.
fn piece() -> Located<Time> {
    Located::nowhere(Time::si(2.0))
}
fn lateral() -> Located<Acceleration> {
    Located::nowhere(Acceleration::si(0.08 * crate::units::G))
}
fn throttle() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.02))
}
fn clutch() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.9))
}
fn brake() -> Located<Pressure> {
    Located::nowhere(Pressure::si(1e5))
}
fn settle() -> Located<Time> {
    Located::nowhere(Time::si(0.5))
}

impl WindowStage for Coastdown {
    fn check(&self, input: &Schema, cx: &mut CheckCx) {
        for channel in ["v_air", "density_ratio", "acceleration", "accel_y"] {
            cx.need(input, channel);
        }
        if input.find("clutch").is_none() && input.find("gear").is_none() {
            cx.fault(
                cx.spot,
                "stage `coastdown` needs channel `clutch` or `gear`: with the engine engaged, its drag would pass as the air's",
                "neither is made by an earlier stage",
            );
        }
        if let Some(steering) = &self.steering {
            cx.need_at(input, "steering", steering.spot);
        }
        check_braking(input, self.deceleration.as_ref(), "coasting", cx);
        check_lasting(&self.lasting, cx);
        check_positive(self.lateral.get(), self.lateral.spot, "lateral", cx);
        if self.piece.get() > self.lasting.high || self.piece.get() < 0.5 {
            cx.fault(
                self.piece.spot,
                "coasting can't be cut like this",
                "at least 0.5 s and no more than the longest `lasting`",
            );
        }
    }

    fn reads(&self) -> Vec<&str> {
        let mut names = vec!["speed", "accel_y", "course", "accel_z", "throttle", "clutch", "gear", "brake_pressure"];
        names.extend(self.steering.is_some().then_some("steering"));
        names
    }

    fn finds_coasting(&self) -> bool {
        true
    }

    fn run(&self, log: &LogFrame, cx: &LogCx) -> Result<Found, LogFault> {
        let lateral = self.lateral.get();
        // With the engine off its wheels the throttle only says it again.
        let throttle = log
            .get("throttle")
            .map(|_| Rule::within(THROTTLE, log, "throttle", (f64::NEG_INFINITY, self.throttle.get())));
        let first = [Rule::within(SPEED, log, "speed", (self.speed.low, self.speed.high)), self.disengaged(log)];
        let then = [
            Some(Rule::at_most(LATERAL, log, "accel_y", lateral)),
            self.steering.as_ref().map(|s| Rule::at_most(STEERING, log, "steering", s.get())),
            Some(Rule::known("air_unknown", log, "v_air")),
        ];
        let braking = braking_rules(log, &self.brake, self.deceleration.as_ref());
        let rules: Vec<Rule> =
            first.into_iter().chain(throttle).chain(braking).chain(then.into_iter().flatten()).collect();
        let cut = Cut { settle: self.settle.get(), shortest: self.lasting.low, least: 0.0, longest: self.piece.get() };
        let (pieces, funnel) = pieces(log, &rules, cut);
        let mut windows = Vec::new();
        for stretch in pieces.chunk_by(|a, b| a.end == b.start && a.segment == b.segment) {
            let first = windows.len();
            windows.extend(stretch.iter().filter_map(|p| window(log, *p, "coastdown", cx)));
            if let Some(window) = windows.get_mut(first).filter(|_| cx.road_load) {
                window.coast = self.coast(log, stretch).map(Box::new);
            }
        }
        Ok(Found::windows(windows, funnel))
    }
}

impl Coastdown {
    /// Road load of a whole stretch, no longer than `lasting` allows, by the integral form.
    fn coast(&self, log: &LogFrame, stretch: &[Piece]) -> Option<Coast> {
        let start = stretch.first()?.start;
        let longest = (self.lasting.high * log.rate) as usize;
        let range = start..stretch.last()?.end.min(start + longest);
        let of = |name: &str| log.get(name).and_then(|v| v.get(range.clone()));
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let (ground, mass, ratio) = (of("speed")?, mean(of("effective_mass")?), mean(of("density_ratio")?));
        // In a steady headwind the speed through the air obeys the same law as the speed over ground in still air.
        let measured = mean(of("v_air")?) - mean(ground);
        // With less of the speed left behind, A and C can't be told apart.
        if ground.last()? / ground.first()? > SLOWED {
            return None;
        }
        let time = log.time.get(range.clone())?;
        let through = |headwind: f64| -> Option<f64> {
            let speed: Vec<f64> = ground.iter().map(|v| v + measured + headwind).collect();
            let fit = coastdown::fit(time, &speed, mass, coastdown::Params::default()).ok()?;
            Some(fit.load.c / ratio).filter(|c| c.is_finite())
        };
        let [behind, still, ahead] = [-Coast::HEADWIND, 0.0, Coast::HEADWIND].map(through);
        Some(Coast { coefficients: [behind?, still?, ahead?], duration: range.len() as f64 / log.rate })
    }

    /// Samples with the clutch open or in neutral; none where the log has neither channel.
    fn disengaged(&self, log: &LogFrame) -> Rule<'static> {
        let (clutch, gear, open) = (log.get("clutch"), log.get("gear"), self.clutch.get());
        let mut pass = vec![false; log.len()];
        for (pass, clutch) in pass.iter_mut().zip(clutch.unwrap_or_default()) {
            *pass |= *clutch >= open;
        }
        for (pass, gear) in pass.iter_mut().zip(gear.unwrap_or_default()) {
            *pass |= *gear == 0.0;
        }
        Rule::among("engaged", pass)
    }
}
