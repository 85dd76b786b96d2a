//! Rows of the tables that hold the season against something: expected figures, limits, tyre ratings, the
//! power at hand, other events and seasons.

use super::row::Row;
use super::rows::Declared;
use crate::table_row;

/// Stands in every row and in the metadata of the tyre table, and beside every line of it that is printed.
pub const TYRE_CAUTION: &str = "estimate from logged data, no approval: the tyre maker, the rules of the series and a \
    qualified person decide; a load index rates a road tyre at a given pressure and speed, racing tyres may carry \
    none; inflation pressure, camber, kerbs, load that bars between the wheels carry past the dampers, travel beyond a \
    spring table, logs that were set aside and what the sensors are too slow for are not seen; the interval holds what \
    the logs leave open, not an error of the car file (corner weights, springs, CG height)";

/// Stands in the metadata of the table of powers and speeds, and below it where it is printed.
pub const SPEED_CAUTION: &str = "a calculated speed, no approval: whether tyres, wings and car may be driven at it is \
    for the tyre maker, a qualified person and the rules of the series to say";

table_row! {
    /// One row per expected figure (wind tunnel, CFD): does the track agree, by itself and after one common factor?
    pub struct ExpectedRow in "expected" {
        configuration: Option<String>, "-", "configuration that the figure is for; empty for a part";
        part: Option<String>, "-", "part that the figure is for, as a difference; empty for a configuration";
        quantity: String, "-", "front_downforce, rear_downforce, downforce, drag, balance, efficiency or a channel";
        unit: String, "-", "SI unit of the values";
        source: String, "-", "where the figure comes from, as stated";
        stated: String, "-", "the figure as written";
        stated_speed: Option<f64>, "m/s", "speed of the figure; empty for areas and ratios";
        stated_density: Option<f64>, "kg/m3", "air density of the figure; empty for areas and ratios";
        track: Option<f64>, "see unit", "value from the logs at the reference speed and density";
        track_se: Option<f64>, "see unit", "standard error";
        track_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        track_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        expected: f64, "see unit", "the figure at the reference speed and density, by the square law";
        expected_half95: Option<f64>, "see unit", "half of the figure's own 95 % interval; empty: taken as exact";
        difference: Option<f64>, "see unit", "track minus expected";
        difference_se: Option<f64>, "see unit", "standard error";
        difference_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        difference_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        degrees_of_freedom: Option<f64>, "1", "of the interval's t distribution; empty: of a normal one";
        p_value: Option<f64>, "1", "two-sided, for no difference";
        p_holm: Option<f64>, "1", "Holm-adjusted over all figures";
        ratio: Option<f64>, "1", "track over expected";
        ratio_lo95: Option<f64>, "1", "lower end of the 95 % interval";
        ratio_hi95: Option<f64>, "1", "upper end of the 95 % interval";
        verdict: String, "-", "agrees, disagrees, not resolved or no figure";
        why: String, "-", "the verdict in a sentence";
        scale_kind: Option<String>, "-", "kind of common factor that applies: downforce or drag";
        minus_scaled: Option<f64>, "see unit", "track minus the common factor times expected; the factor without this figure";
        minus_scaled_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        minus_scaled_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        scale_p_holm: Option<f64>, "1", "for no deviation from the common factor, Holm-adjusted over the figures of the kind";
        scale_verdict: Option<String>, "-", "follows, or stands_out (beyond chance, and by more than `within` of the figure); empty where too few figures make a factor";
        reference_speed: f64, "m/s", "reference speed";
        reference_density: f64, "kg/m3", "reference density";
    }
}

table_row! {
    /// One row per kind of force: the common factor of the track over the expected figures.
    pub struct ExpectedScaleRow in "expected_scale" {
        kind: String, "-", "downforce (front and rear together) or drag";
        factor: f64, "1", "track over expected, weighted regression through zero over the figures that follow it";
        factor_se: f64, "1", "standard error, from the joint covariance of all coefficients";
        factor_lo95: f64, "1", "lower end of the 95 % interval";
        factor_hi95: f64, "1", "upper end of the 95 % interval";
        degrees_of_freedom: Option<f64>, "1", "of the interval's t distribution; empty: of a normal one";
        figures: i64, "1", "figures that made the factor";
        stand_out: String, "-", "figures left out of the factor because they stand out, comma separated";
        basis: String, "-", "configurations, or parts where no configuration has a figure";
    }
}

table_row! {
    /// One row per limit and configuration: is a value that must be kept still kept?
    pub struct LimitRow in "limits" {
        configuration: String, "-", "configuration";
        quantity: String, "-", "what is limited";
        unit: String, "-", "SI unit of limit and value";
        side: String, "-", "at_least or at_most";
        limit: f64, "see unit", "the limit";
        speed: f64, "m/s", "air speed that the limit holds at";
        air_density: f64, "kg/m3", "air density that the limit holds at";
        value: Option<f64>, "see unit", "value at that speed and density";
        value_se: Option<f64>, "see unit", "standard error";
        value_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        value_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        margin: Option<f64>, "see unit", "distance from the limit, positive where it is kept";
        verdict: String, "-", "kept, broken, unsure (the limit lies inside the 95 % interval) or no figure; an estimate, see flags for what it rests on";
        reached_at: Option<f64>, "m/s", "air speed at which the value passes the limit, by the square law";
        reached_at_lo95: Option<f64>, "m/s", "lower end of the 95 % interval";
        reached_at_hi95: Option<f64>, "m/s", "upper end of the 95 % interval; empty where the lower end of the value's never reaches it";
        flags: String, "-", "remarks, comma separated: those of the fit; speed_outside_of_windows: the verdict rests on the square law beyond the speeds that ran; reached_outside_of_windows: the same of reached_at";
    }
}

table_row! {
    /// One row per configuration, corner and case: estimated tyre load against the rating of the load index.
    pub struct TyreRow in "tyres" caution TYRE_CAUTION {
        configuration: String, "-", "configuration";
        corner: String, "-", "fl, fr, rl or rr";
        case: String, "-", "top_speed: on the straight at the top speed seen; stated_speed: at the speed asked for; peak: the sustained load in the logs that uses most of the rating. Estimate from logged data, no approval";
        load_index: i64, "1", "load index from the car file: a road-tyre rating at a given pressure and speed";
        speed_symbol: String, "-", "speed symbol from the car file";
        speed: Option<f64>, "m/s", "speed over ground; empty where no log shows it";
        load: Option<f64>, "N", "estimated load of the tyre; an estimate from logged data, no approval";
        load_lo95: Option<f64>, "N", "lower end of the 95 % interval of the downforce in it; static weights are taken as exact";
        load_hi95: Option<f64>, "N", "upper end of the 95 % interval of the downforce in it; static weights are taken as exact";
        static_load: f64, "N", "static load of the corner with the fuel aboard";
        downforce: Option<f64>, "N", "half of the axle's downforce; for peak by dampers what the sensors saw beyond static";
        transfer: Option<f64>, "N", "load moved along and across the car in it; 0 for stated_speed";
        basis: String, "-", "fit: static, downforce and transfer; dampers: what the sensors saw; accelerations: static, downforce and transfer at that moment, where that is more";
        capacity: Option<f64>, "N", "rating of load index and speed symbol at that speed, after public tables; the standards themselves were not read. Empty where none is stated, which is no approval";
        share_used: Option<f64>, "1", "estimated load over rating";
        share_used_hi95: Option<f64>, "1", "upper end of the load's interval over rating";
        margin: Option<f64>, "N", "rating minus estimated load";
        margin_share: Option<f64>, "1", "that margin over the rating";
        wanted_margin: f64, "1", "margin asked for, as a share of the rating";
        margin_speed: Option<f64>, "m/s", "speed in still air at which the wanted margin is used up on the straight, calculated by the square law, mostly beyond the speeds that ran; empty for peak, and where it is not before the speed of the symbol";
        margin_speed_hi95: Option<f64>, "m/s", "the same at the upper end of the downforce's interval: a lower speed";
        log: Option<String>, "-", "log that it was seen in";
        start: Option<f64>, "s", "time in that log";
        verdict: String, "-", "margin_kept, unsure (the upper end of the interval is beyond it, or a flag says that a higher load may have gone unseen), margin_used_up, over_rating, above_speed_symbol (faster than the speed symbol stands for: no rating holds there), or no_figure (no load could be estimated). Judged on the upper end; an estimate, no approval";
        flags: String, "-", "remarks, comma separated: those of the fit; speed_outside_of_windows: the air's part rests on the square law beyond the speeds that ran; above_speed_symbol: a moment was faster than the symbol; spring_table_left, spikes_removed, loads_missing: a higher load may have gone unseen; zero_unknown_in_some_logs: there only the accelerations speak; no_peaks, no_wheel_loads: no log shows such a moment";
        caution: String, "-", "what this table is not";
    }
}

table_row! {
    /// One row per configuration: the power that the air takes, and the speed that a given power reaches on level road in still air.
    pub struct EnergyRow in "energy" caution SPEED_CAUTION {
        configuration: String, "-", "configuration";
        speed: f64, "m/s", "speed of the powers";
        air_density: f64, "kg/m3", "air density of all numbers";
        mass: f64, "kg", "mass of the car with fuel, for the rolling resistance";
        drag_power: Option<f64>, "W", "drag times speed";
        drag_power_se: Option<f64>, "W", "standard error";
        drag_power_lo95: Option<f64>, "W", "lower end of the 95 % interval";
        drag_power_hi95: Option<f64>, "W", "upper end of the 95 % interval";
        total_power: Option<f64>, "W", "with the rolling resistance of weight and downforce";
        total_power_se: Option<f64>, "W", "standard error";
        total_power_lo95: Option<f64>, "W", "lower end of the 95 % interval";
        total_power_hi95: Option<f64>, "W", "upper end of the 95 % interval";
        power: Option<f64>, "W", "power at the wheels that was asked about";
        top_speed: Option<f64>, "m/s", "speed at which that power is used up; calculated, no approval";
        top_speed_se: Option<f64>, "m/s", "standard error";
        top_speed_lo95: Option<f64>, "m/s", "lower end of the 95 % interval";
        top_speed_hi95: Option<f64>, "m/s", "upper end of the 95 % interval; empty where it has none";
        flags: String, "-", "remarks, comma separated: those of the fit; speed_outside_of_windows: speed, top speed or its upper end lies beyond the speeds that ran; above_speed_symbol: one of them is faster than the speed symbol of a tyre stands for";
    }
}

table_row! {
    /// One row per configuration, quantity and event, and per season where others lie beside it: did the number move?
    pub struct HistoryRow in "history" {
        of_season: String, "-", "season";
        event: Option<String>, "-", "event; empty for a season as a whole";
        date: Option<String>, "-", "first day of the event from the run sheet, ISO 8601";
        position: i64, "1", "order of the event in the season, or of the season, from 1";
        configuration: String, "-", "configuration";
        quantity: String, "-", "what was fitted";
        unit: String, "-", "SI unit of the value";
        value: Option<f64>, "see unit", "value at this season's reference speed and density, from that event or season alone";
        value_se: Option<f64>, "see unit", "standard error";
        value_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        value_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        windows: i64, "1", "windows behind it";
        sessions: i64, "1", "sessions behind it";
        reference_speed: f64, "m/s", "reference speed of the values, that of the season that wrote the row";
        reference_density: f64, "kg/m3", "reference density of the values";
        change: Option<f64>, "see unit", "value minus the mean of the other events (or seasons), weighted by precision, those found changed left out";
        change_se: Option<f64>, "see unit", "standard error";
        change_lo95: Option<f64>, "see unit", "lower end of the 95 % interval";
        change_hi95: Option<f64>, "see unit", "upper end of the 95 % interval";
        degrees_of_freedom: Option<f64>, "1", "of that interval's t distribution; empty: of a normal one";
        share_of_all: Option<f64>, "1", "share by which all configurations that can be compared moved, where they moved by one share: what measures the quantity, not the parts";
        p_value: Option<f64>, "1", "two-sided, for no change";
        p_holm: Option<f64>, "1", "Holm-adjusted over the rows of this quantity";
        verdict: String, "-", "changed, in doubt (larger than chance explains, but one session saw it alone), not changed or not comparable";
        why: String, "-", "the verdict in a sentence";
    }
}

fn declared<R: Row>() -> Declared {
    Declared { table: R::TABLE, about: R::ABOUT.trim(), caution: R::CAUTION, schema: R::schema() }
}

/// The tables declared here.
pub fn all() -> Vec<Declared> {
    vec![
        declared::<ExpectedRow>(),
        declared::<ExpectedScaleRow>(),
        declared::<LimitRow>(),
        declared::<TyreRow>(),
        declared::<EnergyRow>(),
        declared::<HistoryRow>(),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tyre_table_says_everywhere_what_it_is_not() {
        assert_eq!(TyreRow::CAUTION, Some(TYRE_CAUTION));
        assert_eq!(ExpectedRow::CAUTION, None);
        for words in ["estimate", "tyre maker", "rules of the series", "qualified person", "road tyre", "spring table"]
        {
            assert!(TYRE_CAUTION.contains(words), "{words}");
        }
        assert_eq!(EnergyRow::CAUTION, Some(SPEED_CAUTION));
        let capacity = TyreRow::schema().field_with_name("capacity").unwrap().metadata()["description"].clone();
        assert!(capacity.contains("after public tables; the standards themselves were not read"), "{capacity}");
        for field in TyreRow::schema().fields() {
            for (_, text) in field.metadata() {
                assert!(!text.contains("safe"), "{text}");
            }
            if ["load", "verdict", "case"].contains(&field.name().as_str()) {
                assert!(field.metadata().get("description").unwrap().to_lowercase().contains("estimate"));
            }
        }
        assert!(!TYRE_CAUTION.contains("safe"));
    }
}
