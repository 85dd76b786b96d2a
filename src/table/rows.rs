//! The rows of every written table. The season is the partition of the folder (`season=…/`), not a
//! column of the file, so that every reader takes it from the path.

use super::row::{Row, Timestamp};
use crate::table_row;

/// Version of the table schemas; raised with every change of a column.
pub const SCHEMA_VERSION: &str = "1";

/// Stands in the metadata of predicted tables, and once beside everything that is printed.
pub const FORCE_CAUTION: &str = "an estimate, no approval: whether tyres, wings, mounts and floor hold these loads and \
    this speed, and whether the parts may be run, is for the tyre maker, a qualified person and the rules of the series \
    to say";

table_row! {
    /// One row per log: used or set aside, why, and where its seconds went.
    pub struct LogRow in "logs" {
        log: String, "-", "file name of the log without folder";
        path: String, "-", "path as found, relative to the pipeline's folder where possible";
        bytes: i64, "B", "file size";
        content_hash: String, "-", "BLAKE3 of the file's bytes, hexadecimal";
        event: Option<String>, "-", "event from the run sheet";
        session: Option<String>, "-", "session from the run sheet; several joined with a comma";
        outings: Option<i64>, "1", "outings found in the log, whether or not a row of the run sheet names them; empty where it is set aside";
        status: String, "-", "used or set_aside";
        reason: Option<String>, "-", "stable code of the reason why it was set aside: empty, binary, truncated, wrong_layout, missing_channel, wrong_unit, bad_cell, time_goes_back, all_missing, stuck, implausible, not_in_run_sheet, claimed_twice, same_as_another, same_run, configuration_in_doubt, same_name, no_run or unreadable";
        message: Option<String>, "-", "the reason in words, with line, column or channel; of a used log, what is odd about it";
        line: Option<i64>, "1", "line of the file where the reason shows";
        duration: Option<f64>, "s", "logged time; empty where it is set aside";
        rate: Option<f64>, "Hz", "rate of the common time base; empty where it is set aside";
        windows: i64, "1", "windows taken from it, of all kinds";
        flags: String, "-", "remarks, comma separated";
    }
}

table_row! {
    /// One row per log, window stage and rule: the seconds that each selection rule cost, in the order of the rules.
    pub struct FunnelRow in "funnel" {
        log: String, "-", "file name of the log";
        stage: String, "-", "window stage: steady, coastdown, straight";
        position: i64, "1", "order of the rule, from 0; the last row of a stage is what was kept";
        rule: String, "-", "selection rule by the option that sets it; engaged: the engine is on the wheels; air_unknown: no air speed; a name with _unknown: the log lacks that channel; settling, too_short; or kept";
        seconds: f64, "s", "time that this rule took away from what the earlier rules left; time kept for kept";
    }
}

table_row! {
    /// One row per window and quantity: the evidence, as it went into the fits.
    pub struct WindowRow in "windows" {
        log: String, "-", "file name of the log";
        event: String, "-", "event";
        session: String, "-", "session; unique within the season together with the event";
        outing: String, "-", "outing, unique within the season";
        configuration: String, "-", "configuration from the run sheet";
        kind: String, "-", "steady, coastdown or straight";
        start: f64, "s", "start of the window from the start of the log";
        duration: f64, "s", "length of the window";
        samples: i64, "1", "samples in the window";
        quantity: String, "-", "what was measured";
        unit: String, "-", "SI unit of mean and standard_error";
        mean: f64, "see unit", "mean of the quantity over the window, sensor zero included";
        standard_error: f64, "see unit", "standard error of the mean, autocorrelation counted";
        speed: f64, "m/s", "mean speed over ground";
        effective_v2: f64, "m2/s2", "density ratio times air speed squared: the regressor of the fits";
        air_density: f64, "kg/m3", "mean air density";
        headwind: f64, "m/s", "headwind used in effective_v2, against the car positive; 0 where the window is not fitted";
        course: Option<f64>, "rad", "direction of travel, clockwise from north";
        accel_x: f64, "m/s2", "mean acceleration over ground along x";
        weight: f64, "1/unit2", "weight that the fit used: one over the variance that it took the mean to have, gusts and robust weight included; 0 when not fitted";
        outlier: bool, "-", "the robust fit gave it less than half weight: far out by itself, or all quantities off together as in a wake";
        flags: String, "-", "remarks, comma separated";
    }
}

table_row! {
    /// One row per session: the wind that the fit used; no numbers where the air speed was measured.
    pub struct WindRow in "winds" {
        event: String, "-", "event";
        session: String, "-", "session";
        speed: Option<f64>, "m/s", "wind speed; the mean of its runs where the run sheet says it";
        from: Option<f64>, "rad", "direction it comes from, clockwise from north";
        north: Option<f64>, "m/s", "component from the north";
        east: Option<f64>, "m/s", "component from the east";
        north_se: Option<f64>, "m/s", "standard error, of gusts that fade along a straight (slower changes of the wind add a third or so to it); empty where the wind was not estimated";
        east_se: Option<f64>, "m/s", "standard error, of gusts that fade along a straight (slower changes of the wind add a third or so to it); empty where the wind was not estimated";
        gusts: Option<f64>, "m/s", "standard deviation of the headwind of single windows about that mean, drawn towards those of the other sessions as far as it is uncertain; empty where the wind was not estimated";
        source: String, "-", "estimated, run_sheet, none, measured: the air speed was measured in every window, so that no wind entered; or not_identified: the headings can't tell it and the expected one was kept in part";
    }
}

table_row! {
    /// One row per session and quantity: does it agree with the other sessions of the same configurations?
    pub struct AgreementRow in "agreement" {
        event: String, "-", "event";
        session: String, "-", "session";
        quantity: String, "-", "what was measured";
        factor: f64, "1", "the session's response to effective v² over that of the other sessions";
        factor_se: f64, "1", "standard error from the session's own windows";
        spread: f64, "1", "robust spread of the factors of all sessions";
        gain: Option<f64>, "1", "what the fit takes this session to read too much, as a share of everything it reads; drawn towards 0 as far as sessions differ little; empty with method ordinary, equal weights, or where it is left out";
        gain_sd: Option<f64>, "1", "standard deviation that the fit allows for it: that of the sessions, more where this one is far out";
        windows: i64, "1", "windows of configurations that three sessions and more ran: on these they can be held against each other";
        verdict: String, "-", "agrees, or left_out: too far from the others, or too much at odds with itself, to be used";
        suspicion: String, "-", "what would explain the factor";
    }
}

table_row! {
    /// One row per configuration and quantity: the coefficient of effective v², the force at the reference speed, the area.
    pub struct FitRow in "fits" {
        configuration: String, "-", "configuration";
        quantity: String, "-", "front_downforce, rear_downforce, drag (corrected for rolling), resistance (apparent), or a channel";
        unit: String, "-", "SI unit of the value";
        coefficient: Option<f64>, "unit.s2/m2", "value per effective v²";
        coefficient_se: Option<f64>, "unit.s2/m2", "standard error";
        coefficient_lo95: Option<f64>, "unit.s2/m2", "lower end of the 95 % interval";
        coefficient_hi95: Option<f64>, "unit.s2/m2", "upper end of the 95 % interval";
        intercept: Option<f64>, "see unit", "value at no air speed where the configuration has one zero; empty where every outing has its own";
        area: Option<f64>, "m2", "coefficient over half the reference density: ClA or CdA; empty where the quantity is no force";
        area_se: Option<f64>, "m2", "standard error";
        area_lo95: Option<f64>, "m2", "lower end of the 95 % interval";
        area_hi95: Option<f64>, "m2", "upper end of the 95 % interval";
        pressure_coefficient: Option<f64>, "1", "coefficient over half the reference density; empty where the quantity is no pressure";
        pressure_coefficient_se: Option<f64>, "1", "standard error";
        pressure_coefficient_lo95: Option<f64>, "1", "lower end of the 95 % interval";
        pressure_coefficient_hi95: Option<f64>, "1", "upper end of the 95 % interval";
        value: Option<f64>, "see unit", "value at the reference speed and density";
        value_se: Option<f64>, "see unit", "standard error";
        value_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        value_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
        windows: i64, "1", "windows used";
        outliers: i64, "1", "windows of less than half weight";
        outings: i64, "1", "outings";
        sessions: i64, "1", "sessions";
        speed_min: Option<f64>, "m/s", "lowest window speed";
        speed_max: Option<f64>, "m/s", "highest window speed";
        degrees_of_freedom: Option<f64>, "1", "of the interval's t distribution; empty: of a normal one";
        r2: Option<f64>, "1", "share of the variance within outings that v² explains";
        rmse: Option<f64>, "see unit", "weighted root mean square residual";
        between_window_sd: Option<f64>, "see unit", "estimated spread of window means beyond their own standard errors";
        square_law_p: Option<f64>, "1", "p-value of a term in the square of effective v²";
        local_coefficient: Option<f64>, "unit.s2/m2", "slope at the reference speed when that term is let in";
        method: String, "-", "estimator, zero handling, wind and covariance";
        flags: String, "-", "remarks, comma separated; says why where a number is missing";
    }
}

table_row! {
    /// One row per configuration: downforce, balance, drag and efficiency at the reference speed.
    pub struct ConfigurationRow in "configurations" {
        configuration: String, "-", "configuration";
        parts: String, "-", "parts from the run sheet in the order of the alphabet, joined with +";
        wing_position: Option<f64>, "1", "wing position from the run sheet";
        downforce: Option<f64>, "N", "front plus rear downforce at the reference speed";
        downforce_se: Option<f64>, "N", "standard error";
        downforce_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        downforce_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        balance: Option<f64>, "1", "front share of downforce";
        balance_se: Option<f64>, "1", "standard error";
        balance_lo95: Option<f64>, "1", "lower end of the 95 % interval";
        balance_hi95: Option<f64>, "1", "upper end of the 95 % interval";
        drag: Option<f64>, "N", "drag at the reference speed";
        drag_se: Option<f64>, "N", "standard error";
        drag_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        drag_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        efficiency: Option<f64>, "1", "downforce over drag";
        efficiency_se: Option<f64>, "1", "standard error";
        efficiency_lo95: Option<f64>, "1", "lower end of the 95 % interval";
        efficiency_hi95: Option<f64>, "1", "upper end of the 95 % interval";
        expected_downforce: Option<f64>, "N", "expected figure (tunnel, CFD) at the reference speed and density; empty where none was given";
        downforce_minus_expected: Option<f64>, "N", "downforce minus the expected figure";
        downforce_minus_expected_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        downforce_minus_expected_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        expected_drag: Option<f64>, "N", "expected figure at the reference speed and density; empty where none was given";
        drag_minus_expected: Option<f64>, "N", "drag minus the expected figure";
        drag_minus_expected_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        drag_minus_expected_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
        windows: i64, "1", "windows behind any of its quantities; those of one quantity stand in fits";
        sessions: i64, "1", "sessions behind any of its quantities; those of one quantity stand in fits";
        flags: String, "-", "remarks, comma separated";
    }
}

table_row! {
    /// One row per pair of configurations and quantity: is the difference real?
    pub struct ComparisonRow in "comparisons" {
        configuration: String, "-", "configuration";
        against: String, "-", "configuration it is compared with";
        quantity: String, "-", "front_downforce, rear_downforce, drag, balance, efficiency or a channel";
        unit: String, "-", "SI unit of the difference";
        difference: Option<f64>, "see unit", "value minus the other's value, at the reference speed";
        difference_se: Option<f64>, "see unit", "standard error";
        difference_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        difference_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        degrees_of_freedom: Option<f64>, "1", "of the interval's t distribution; empty: of a normal one";
        p_value: Option<f64>, "1", "two-sided, for no difference";
        p_holm: Option<f64>, "1", "Holm-adjusted over all comparisons";
        verdict: String, "-", "resolved, in doubt (it would be, were it not for two sessions that contradict each other, or a share of what is not told from nothing), not resolved or not comparable";
        why: String, "-", "the verdict in a sentence";
        smallest_resolvable: Option<f64>, "see unit", "smallest difference found with 80 % power at the 5 % level";
        windows_needed: Option<i64>, "1", "windows of each that would resolve the wanted difference, the present ones included";
        sessions_needed: Option<i64>, "1", "sessions of each that would resolve the wanted difference, the present ones included; at least two, as one does not show how much sessions scatter; empty of what is no force, as windows_needed";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
    }
}

table_row! {
    /// One row per part (or wing step, interaction, or parts that never ran apart) and quantity: what it is worth.
    pub struct PartRow in "parts" {
        part: String, "-", "part; wing_position for one step of the wing; a+b where only the sum is known, b-a for one in place of the other, a×b for an interaction";
        kind: String, "-", "part, wing, interaction, together (only the sum is known) or exchange (only the difference is known)";
        quantity: String, "-", "front_downforce, rear_downforce, drag, downforce or a channel";
        unit: String, "-", "SI unit of the effect";
        effect: Option<f64>, "see unit", "change that it makes at the reference speed and density; per step for the wing";
        effect_se: Option<f64>, "see unit", "standard error";
        effect_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        effect_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        degrees_of_freedom: Option<f64>, "1", "of the interval's t distribution; empty: of a normal one";
        p_value: Option<f64>, "1", "two-sided, for no effect";
        p_holm: Option<f64>, "1", "Holm-adjusted over all parts and quantities";
        smallest_resolvable: Option<f64>, "see unit", "smallest effect found with 80 % power at the 5 % level";
        verdict: String, "-", "resolved, not resolved or not separable";
        why: String, "-", "the verdict in a sentence";
        sessions_with: i64, "1", "sessions with it (for the wing: off its reference position)";
        sessions_without: i64, "1", "sessions without it";
        sessions_both: i64, "1", "sessions that ran with it and without it";
        windows_with: i64, "1", "windows with it";
        windows_without: i64, "1", "windows without it";
        configurations_with: i64, "1", "configurations with it";
        configurations_without: i64, "1", "configurations without it";
        additivity_p: Option<f64>, "1", "p-value for this quantity that parts simply add; small means that they do not";
        additivity_note: String, "-", "why additivity could not be tested";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
        flags: String, "-", "remarks, comma separated";
    }
}

table_row! {
    /// One row per predicted combination and figure.
    pub struct PredictionRow in "predictions" caution FORCE_CAUTION {
        name: String, "-", "name of the prediction";
        parts: String, "-", "parts in the order of the alphabet, joined with +";
        wing_position: Option<f64>, "1", "wing position; that which gives the wanted balance where one was asked for";
        speed: f64, "m/s", "speed that forces are given at";
        density: f64, "kg/m3", "density that forces are given at";
        quantity: String, "-", "front_downforce, rear_downforce, downforce, drag, balance, efficiency, a channel, or wing_position where a balance was asked for";
        unit: String, "-", "SI unit of the value";
        value: Option<f64>, "see unit", "value";
        value_se: Option<f64>, "see unit", "standard error of the mean";
        value_lo95: Option<f64>, "see unit", "lower end of the 95 % interval of the mean";
        value_hi95: Option<f64>, "see unit", "upper end of the 95 % interval of the mean";
        session_lo95: Option<f64>, "see unit", "lower end of the interval in which 95 % of new sessions are expected, were each long enough to average out its own windows";
        session_hi95: Option<f64>, "see unit", "upper end of that interval";
        degrees_of_freedom: Option<f64>, "1", "of the mean's t distribution; empty: of a normal one";
        wanted_balance: Option<f64>, "1", "front share of downforce that was asked for";
        ran_as: Option<String>, "-", "configuration that ran exactly so";
        remarks: String, "-", "in words: what lies outside of what has run, what is not known and why";
        flags: String, "-", "remarks, comma separated";
    }
}

table_row! {
    /// One row per combination of the available parts and the wing positions that ran.
    pub struct CombinationRow in "combinations" caution FORCE_CAUTION {
        rank: i64, "1", "1 for the most downforce among those that hold every limit; then those that may, then the rest";
        parts: String, "-", "parts in the order of the alphabet, joined with +";
        wing_position: Option<f64>, "1", "wing position";
        front: Option<f64>, "N", "front downforce at the reference speed";
        front_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        front_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        rear: Option<f64>, "N", "rear downforce at the reference speed";
        rear_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        rear_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        downforce: Option<f64>, "N", "front plus rear";
        downforce_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        downforce_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        drag: Option<f64>, "N", "drag at the reference speed";
        drag_lo95: Option<f64>, "N", "lower end of the 95 % interval";
        drag_hi95: Option<f64>, "N", "upper end of the 95 % interval";
        balance: Option<f64>, "1", "front share of downforce";
        balance_lo95: Option<f64>, "1", "lower end of the 95 % interval";
        balance_hi95: Option<f64>, "1", "upper end of the 95 % interval";
        efficiency: Option<f64>, "1", "downforce over drag";
        efficiency_lo95: Option<f64>, "1", "lower end of the 95 % interval";
        efficiency_hi95: Option<f64>, "1", "upper end of the 95 % interval";
        front_limit: Option<String>, "-", "yes, no, or unsure where the limit lies inside the interval; empty where none was set";
        rear_limit: Option<String>, "-", "yes, no or unsure";
        downforce_limit: Option<String>, "-", "yes, no or unsure";
        drag_limit: Option<String>, "-", "yes, no or unsure";
        balance_limit: Option<String>, "-", "yes, no or unsure";
        efficiency_limit: Option<String>, "-", "yes, no or unsure";
        limits: String, "-", "all limits together: yes, no, unsure or unknown";
        efficient: Option<bool>, "-", "no other combination that holds the limits, or may, has more downforce and less drag; empty where it breaks a limit itself or is unknown";
        bettered_by: Option<String>, "-", "the combination that has more downforce and less drag; of several the one that leads most in both";
        bettered: Option<String>, "-", "clear, or within_noise where the interval of one of the two differences holds zero";
        ran_as: Option<String>, "-", "configuration that ran exactly so";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
        remarks: String, "-", "in words: what is not known and why";
        flags: String, "-", "remarks, comma separated";
    }
}

table_row! {
    /// One row per configuration, quantity and second estimator: does other evidence say the same?
    pub struct CrossCheckRow in "cross_checks" {
        configuration: String, "-", "configuration";
        quantity: String, "-", "front_downforce, rear_downforce, resistance (apparent), or a channel";
        unit: String, "-", "SI unit of the values";
        estimator: String, "-", "straight: all straight running with load transfer and curvature as regressors; coast_integral: coasting stretches as wholes";
        value: f64, "N, or the unit of the channel", "its value at the reference speed and density";
        value_se: f64, "N, or the unit of the channel", "standard error";
        value_lo95: f64, "N, or the unit of the channel", "lower end of the 95 % interval";
        value_hi95: f64, "N, or the unit of the channel", "upper end of the 95 % interval";
        fit_value: f64, "N, or the unit of the channel", "what the fit says";
        fit_se: f64, "N, or the unit of the channel", "its standard error";
        difference: f64, "N, or the unit of the channel", "value minus what the fit says";
        difference_se: Option<f64>, "N, or the unit of the channel", "standard error; for straight what a session did to both is left out; empty where one session alone tells";
        difference_lo95: Option<f64>, "N, or the unit of the channel", "lower end of its 95 % interval";
        difference_hi95: Option<f64>, "N, or the unit of the channel", "upper end";
        p_value: Option<f64>, "1", "two-sided, for no difference";
        p_holm: Option<f64>, "1", "the same adjusted for the number of rows (Holm)";
        verdict: String, "-", "agrees (the whole interval lies within the share asked for), at odds, not resolved or not comparable";
        windows: i64, "1", "windows, or coasting stretches, behind the second estimate";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
    }
}

table_row! {
    /// One row per quantity and regressor of the whole season: what the logs say of the car file.
    pub struct RegressorRow in "regressors" {
        quantity: String, "-", "quantity that it was fitted with";
        regressor: String, "-", "transfer: acceleration along x; curvature: vertical acceleration; coasting: what windows of coasting read more than others at any speed";
        unit: String, "-", "SI unit of the coefficient";
        coefficient: f64, "see unit", "transfer: load transfer per acceleration, m·h/L, for resistance the effective mass; curvature: the mass that the springs carry; coasting: the offset, for resistance the driveline's loss where the force comes from the shaft or from coasting, and nothing where it is measured at the wheels";
        coefficient_se: f64, "see unit", "standard error";
        coefficient_lo95: f64, "see unit", "lower end of the 95 % interval";
        coefficient_hi95: f64, "see unit", "upper end of the 95 % interval";
        car_file: Option<f64>, "see unit", "what the car file says, with the fuel of the corner weights; empty where it says nothing: coasting at the wheels is then held against none";
        verdict: String, "-", "agrees (the whole interval is as near as the car file is known), differs, not resolved or no figure";
    }
}

table_row! {
    /// One row per run of the batch: when, with what, how it ended.
    pub struct BatchRow in "batch" {
        started: Timestamp, "UTC", "start";
        ended: Timestamp, "UTC", "end";
        version: String, "-", "tool version";
        pipeline: String, "-", "pipeline file, as found from the folder of the tables";
        fingerprint: String, "-", "fingerprint of the pipeline and everything it reads but the logs";
        logs: i64, "1", "logs found";
        used: i64, "1", "logs used";
        set_aside: i64, "1", "logs set aside";
        from_cache: i64, "1", "logs whose result came from the cache";
        windows: i64, "1", "windows of all kinds, those that the fit does not take included";
        exit: i64, "1", "exit code";
    }
}

/// A table's declaration, without its rows: for schema files and checks.
pub struct Declared {
    /// Folder name.
    pub table: &'static str,
    /// What one row is.
    pub about: &'static str,
    /// What every file of it warns of in its metadata.
    pub caution: Option<&'static str>,
    /// Arrow schema.
    pub schema: arrow_schema::Schema,
}

fn declared<R: Row>() -> Declared {
    Declared { table: R::TABLE, about: R::ABOUT.trim(), caution: R::CAUTION, schema: R::schema() }
}

/// Every table that the tool writes.
pub fn all() -> Vec<Declared> {
    let mut all = vec![
        declared::<LogRow>(),
        declared::<FunnelRow>(),
        declared::<WindowRow>(),
        declared::<WindRow>(),
        declared::<AgreementRow>(),
        declared::<FitRow>(),
        declared::<ConfigurationRow>(),
        declared::<ComparisonRow>(),
        declared::<CrossCheckRow>(),
        declared::<RegressorRow>(),
        declared::<PartRow>(),
        declared::<PredictionRow>(),
        declared::<CombinationRow>(),
        declared::<BatchRow>(),
    ];
    all.extend(super::verdicts::all());
    all
}
