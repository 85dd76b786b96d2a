//! `car.yaml`: the car as far as the numbers need it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::located::Located;
use crate::units::{Force, Length, Mass, Ratio, SpringRate};

/// Front left, front right, rear left, rear right.
pub const CORNERS: [&str; 4] = ["fl", "fr", "rl", "rr"];

/// The car file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Car {
    /// Name of the car, for the reader of the file.
    pub name: String,
    /// Mass with driver, without fuel.
    pub mass: Located<Mass>,
    /// Distance between the axles.
    pub wheelbase: Located<Length>,
    /// Height of the centre of gravity above the ground, with driver.
    pub cg_height: Located<Length>,
    /// Height of the highest point of the body; the centre of gravity lies below it.
    pub height: Option<Located<Length>>,
    /// Distance between the wheel centres of an axle.
    pub track: PerAxle<Length>,
    /// Static corner weights with driver and `fuel.at_corner_weights`, as masses.
    pub corner_weights: Corners<Mass>,
    /// Fuel.
    #[serde(default)]
    pub fuel: Fuel,
    /// Spring at each corner.
    pub springs: Located<Sides<Spring>>,
    /// Damper travel per wheel travel.
    pub motion_ratio: Located<Sides<Located<Ratio>>>,
    /// Effective inertia over mass, rotating parts counted.
    #[serde(default = "default_rotating")]
    pub rotating_mass_factor: Located<Ratio>,
    /// Loaded tyre radius.
    pub tyre_radius: PerAxle<Length>,
    /// Final drive ratio: shaft turns per wheel turn.
    pub final_drive: Option<Located<Ratio>>,
    /// Gear ratios, first gear first; only checked so far.
    #[serde(default)]
    pub gears: Vec<Located<Ratio>>,
    /// The driven axle.
    #[serde(default)]
    pub driven: Driven,
    /// Share of the torque into the final drive that reaches the wheels.
    #[serde(default = "one")]
    pub driveline_efficiency: Located<Ratio>,
    /// Retarding force at the contact patch from the driveline when coasting with the clutch open or in neutral.
    #[serde(default = "no_force")]
    pub coasting_loss: Located<Force>,
    /// Rolling resistance coefficient: rolling force over vertical load.
    pub rolling_resistance: Located<Ratio>,
    /// Share of the front axle's braking load transfer that the links carry.
    #[serde(default = "zero")]
    pub anti_dive: Located<Ratio>,
    /// Share of the driven rear axle's load transfer under drive that the links carry.
    #[serde(default = "zero")]
    pub anti_squat: Located<Ratio>,
    /// Tyres, for the load margin.
    pub tyres: Option<PerAxleOf<Tyre>>,
}

fn one() -> Located<Ratio> {
    Located::nowhere(Ratio::si(1.0))
}
fn zero() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.0))
}
/// 3 % of the mass for the rotating parts where they were not measured: SAE J2263, at second hand.
fn default_rotating() -> Located<Ratio> {
    Located::nowhere(Ratio::si(1.03))
}
fn no_force() -> Located<Force> {
    Located::nowhere(Force::si(0.0))
}

/// A length for each axle.
pub type PerAxle<D> = PerAxleOf<Located<D>>;

/// One value per axle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "{T}PerAxle")]
pub struct PerAxleOf<T> {
    /// Front axle.
    pub front: T,
    /// Rear axle.
    pub rear: T,
}

/// One value per corner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "{T}PerCorner")]
pub struct Corners<T> {
    /// Front left.
    pub fl: Located<T>,
    /// Front right.
    pub fr: Located<T>,
    /// Rear left.
    pub rl: Located<T>,
    /// Rear right.
    pub rr: Located<T>,
}

/// One value per corner, or one for both sides of an axle. Each corner must be given exactly once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, bound(deserialize = "T: Deserialize<'de>"))]
#[schemars(rename = "{T}PerSide")]
pub struct Sides<T> {
    /// Both front corners.
    #[serde(default)]
    pub front: Option<T>,
    /// Both rear corners.
    #[serde(default)]
    pub rear: Option<T>,
    /// Front left.
    #[serde(default)]
    pub fl: Option<T>,
    /// Front right.
    #[serde(default)]
    pub fr: Option<T>,
    /// Rear left.
    #[serde(default)]
    pub rl: Option<T>,
    /// Rear right.
    #[serde(default)]
    pub rr: Option<T>,
}

impl<T> Sides<T> {
    /// The four corners in the order fl, fr, rl, rr; `None` where a corner is not given.
    pub fn corners(&self) -> [Option<&T>; 4] {
        [
            self.fl.as_ref().or(self.front.as_ref()),
            self.fr.as_ref().or(self.front.as_ref()),
            self.rl.as_ref().or(self.rear.as_ref()),
            self.rr.as_ref().or(self.rear.as_ref()),
        ]
    }
}

/// A spring: a rate, or force over damper travel (bump stops included).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "snake_case")]
pub enum Spring {
    /// Constant rate at the damper.
    Rate(Located<SpringRate>),
    /// Points of travel and force at the damper, travel as the damper channel reads it, rising.
    Table(Located<Vec<SpringPoint>>),
}

/// One point of a spring table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SpringPoint {
    /// Damper travel, compression positive.
    pub travel: Located<Length>,
    /// Force of spring and bump stop together.
    pub force: Located<Force>,
}

/// Fuel and where it sits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Fuel {
    /// Fuel aboard when the corner weights were taken.
    pub at_corner_weights: Located<Mass>,
    /// Share of the fuel's weight on the front axle.
    pub front_share: Located<Ratio>,
}

impl Default for Fuel {
    fn default() -> Self {
        Self { at_corner_weights: Located::nowhere(Mass::si(0.0)), front_share: Located::nowhere(Ratio::si(0.5)) }
    }
}

/// Which axle is driven.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Driven {
    /// Front axle.
    Front,
    /// Rear axle.
    #[default]
    Rear,
    /// Both.
    Both,
}

/// Load index and speed symbol as marked on the tyre.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tyre {
    /// Load index, as marked.
    pub load_index: Located<u16>,
    /// Speed symbol, as marked.
    pub speed_symbol: Located<String>,
}

impl Car {
    /// Static mass on the front axle with the given fuel aboard, kg.
    pub fn front_mass(&self, fuel: f64) -> f64 {
        let c = &self.corner_weights;
        c.fl.get() + c.fr.get() + (fuel - self.fuel.at_corner_weights.get()) * self.fuel.front_share.get()
    }
    /// Whole mass with the given fuel aboard, kg.
    pub fn mass_with(&self, fuel: f64) -> f64 {
        self.mass.get() + fuel
    }
}
