//! `lampwarden meter height`: at what height is a band met, from readings at two heights or more.

use std::fmt::Write as _;
use std::process::ExitCode;

use clap::Args;
use serde_json::json;

use crate::commands::failed;
use crate::science::distance::{Falling, Height, Reading, fit};
use crate::science::uv::{FERGUSON, Metres, mesh_factor};
use crate::units::{Percent, Uvi};

use super::print;

/// The intervals that are printed cover the truth this often.
const SHARE: f64 = 0.8;
/// Columns and rows of the plot.
const PLOT: (usize, usize) = (56, 14);

#[derive(Args)]
pub(super) struct Arguments {
    /// A reading: distance from the lamp's face and UV index, as 20cm=6.1; at least two
    #[arg(long = "at", value_name = "HEIGHT=UVI", required = true, value_parser = reading)]
    readings: Vec<(f64, f64)>,
    /// Mesh that was between lamp and meter: how much UV it takes, in percent
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0, value_parser = percent)]
    measured_through: f64,
    /// Mesh that will be between lamp and animal, in percent
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    mesh: Option<f64>,
    /// Ferguson zone whose band is wanted, 1 to 4; 3 where nothing is said
    #[arg(long, value_parser = clap::value_parser!(u8).range(1..=4), conflicts_with_all = ["low", "high"])]
    zone: Option<u8>,
    /// Least UV index wanted
    #[arg(long, requires = "high")]
    low: Option<f64>,
    /// Most UV index wanted
    #[arg(long, requires = "low")]
    high: Option<f64>,
    /// Print a JSON object
    #[arg(long)]
    json: bool,
}

/// `20cm=6.1`, `200mm=6.1` or `0.2m=6.1`.
fn reading(text: &str) -> Result<(f64, f64), String> {
    let wrong = || "a distance and a UV index, as 20cm=6.1".to_owned();
    let (height, uvi) = text.split_once('=').ok_or_else(wrong)?;
    let units = [("cm", 0.01), ("mm", 0.001), ("m", 1.0)];
    let (figure, unit) = units
        .into_iter()
        .find_map(|(unit, metres)| Some((height.trim().strip_suffix(unit)?, metres)))
        .ok_or_else(wrong)?;
    let metres = figure.trim().parse::<f64>().map_err(|_| wrong())? * unit;
    let uvi = uvi.trim().parse::<f64>().map_err(|_| wrong())?;
    let usable = metres.is_finite() && metres > 0.0 && metres < 10.0 && uvi > 0.0 && uvi <= 200.0;
    if usable {
        Ok((metres, uvi))
    } else {
        Err("a distance below 10 m and a UV index above 0 and up to 200".to_owned())
    }
}

fn percent(text: &str) -> Result<f64, String> {
    let percent = text.trim_end_matches('%').parse::<f64>().ok().filter(|percent| (0.0..100.0).contains(percent));
    percent.ok_or_else(|| "a share in percent, 0 to below 100".to_owned())
}

pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let (low, high) = match (arguments.zone, arguments.low, arguments.high) {
        (_, Some(low), Some(high)) if 0.0 < low && low < high => (Uvi(low), Uvi(high)),
        (_, Some(_), Some(_)) => return failed(&"--low must be above 0 and below --high"),
        (zone, ..) => {
            let zone = &FERGUSON[usize::from(zone.unwrap_or(3).clamp(1, 4)) - 1];
            zone.maximum
        }
    };
    let measured = mesh_factor(Percent(arguments.measured_through));
    let mesh = mesh_factor(Percent(arguments.mesh.unwrap_or(arguments.measured_through)));
    let readings: Vec<Reading> =
        arguments.readings.iter().map(|&(at, uvi)| Reading { at: Metres(at), uvi: Uvi(uvi), mesh: measured }).collect();
    let Some(falling) = fit(&readings) else {
        return failed(
            &"the readings do not fall with the distance, or are all at one: measure nearer and farther again",
        );
    };
    let Some(band) = falling.band(low, high, mesh, SHARE) else {
        return failed(&"these readings tell no height");
    };
    if arguments.json {
        let height = |height: Height| json!({ "m": height.best.0, "low_m": height.low.0, "high_m": height.high.0, "beyond_readings": height.is_beyond });
        let answer = json!({
            "uvi": { "low": low.0, "high": high.0 },
            "nearest": height(band.nearest),
            "farthest": height(band.farthest),
            "exponent": falling.exponent(),
            "disagreement": falling.disagreement(),
            "interval": SHARE,
        });
        return print(&format!("{answer}\n"));
    }
    let mut out = String::new();
    let said = |height: Height| {
        let beyond = if height.is_beyond { ", far from what was measured: only a reading there tells" } else { "" };
        format!("{} ({} to {}{beyond})", cm(height.best), cm(height.low), cm(height.high))
    };
    // Writing to a string cannot fail.
    let _ = writeln!(out, "UVI {:.1} to {:.1} at the animal's back is met between", low.0, high.0);
    let _ = writeln!(out, "  {} and", said(band.nearest));
    let _ = writeln!(out, "  {}", said(band.farthest));
    let _ = writeln!(out, "from the lamp's face; in brackets what 8 in 10 such estimates hold to.");
    if falling.disagreement() > 3.0 {
        let _ = writeln!(
            out,
            "! the readings fit no single lamp: one is wrong, or there are two lamps, or the mesh differs"
        );
    }
    let _ = writeln!(out, "\n{}", plot(&falling, &readings, mesh, (low, high)));
    let _ = writeln!(
        out,
        "A centimetre matters close in. Set the height, then measure there before an animal basks; keep lamps that warm\n\
         out of reach, and their fixings and wiring to the local code and a licensed electrician."
    );
    print(&out)
}

fn cm(height: Metres) -> String {
    format!("{:.0} cm", height.0 * 100.0)
}

/// UVI over distance: `*` the fit, `o` the readings, `-` the ends of the band.
fn plot(falling: &Falling, readings: &[Reading], mesh: f64, (low, high): (Uvi, Uvi)) -> String {
    let (columns, rows) = PLOT;
    let far = 1.3 * readings.iter().map(|reading| reading.at.0).fold(0.0, f64::max);
    let near = 0.7 * readings.iter().map(|reading| reading.at.0).fold(f64::INFINITY, f64::min);
    let shown = |reading: &Reading| reading.uvi.0 / reading.mesh * mesh;
    let most = readings.iter().map(shown).fold(high.0, f64::max) * 1.15;
    let column = |at: f64| (((at - near) / (far - near)) * (columns - 1) as f64).round();
    let row = |uvi: f64| ((1.0 - uvi / most) * (rows - 1) as f64).round();
    let mut picture = vec![vec![' '; columns]; rows];
    let mut put = |x: f64, y: f64, mark: char| {
        if x >= 0.0 && y >= 0.0 && (x as usize) < columns && (y as usize) < rows {
            picture[y as usize][x as usize] = mark;
        }
    };
    for x in 0..columns {
        put(x as f64, row(low.0), '-');
        put(x as f64, row(high.0), '-');
    }
    for x in 0..columns {
        let at = near + (far - near) * x as f64 / (columns - 1) as f64;
        if let Some(strength) = falling.at(Metres(at), mesh, SHARE) {
            put(x as f64, row(strength.best.0), '*');
        }
    }
    for reading in readings {
        put(column(reading.at.0), row(shown(reading)), 'o');
    }
    let mut out = String::new();
    for (y, line) in picture.iter().enumerate() {
        let uvi = most * (1.0 - y as f64 / (rows - 1) as f64);
        let text: String = line.iter().collect();
        let _ = writeln!(out, "{uvi:>6.1} |{}", text.trim_end());
    }
    let ends = (format!("{:.0} cm", near * 100.0), format!("{:.0} cm", far * 100.0));
    let _ = writeln!(out, "       +{}", "-".repeat(columns));
    let gap = columns.saturating_sub(ends.0.len() + ends.1.len());
    let _ = write!(out, "  UVI   {}{}{}", ends.0, " ".repeat(gap), ends.1);
    out
}
