//! An enclosure from the side: its spots from the hottest to the retreat, with what warms, lights and measures each.

use maud::{Markup, html};

use super::percent;

/// A spot.
#[derive(Clone, Debug, Default, PartialEq)]
pub(in crate::web) struct Spot {
    pub name: String,
    /// Lamps above it: a name, what it does, and whether it is on.
    pub lamps: Vec<(String, String, bool)>,
    /// What is measured there: a name, a value, and whether it counts.
    pub probes: Vec<(String, String, bool)>,
    /// What the keeper last measured there.
    pub meter: Option<String>,
}

/// Where a spot stands among others, by its name: basking first, retreats last.
pub(in crate::web) fn rank(name: &str) -> u8 {
    match name {
        "basking" => 0,
        "hot" | "surface" => 1,
        "warm" => 2,
        "cool" => 4,
        "retreat" | "hide" | "shade" => 5,
        _ => 3,
    }
}

/// Lines of writing a spot may need, and the height of one.
const LINE: usize = 18;

/// The picture. Spots stand in their order.
pub(in crate::web) fn drawn(spots: &[Spot]) -> Markup {
    let rows = |count: fn(&Spot) -> usize| spots.iter().map(count).max().unwrap_or(0);
    let (lamps, probes) = (rows(|spot| spot.lamps.len()), rows(|spot| spot.probes.len()));
    let meters = usize::from(spots.iter().any(|spot| spot.meter.is_some()));
    // A roof with lamps, rays, then the floor with what is measured.
    let roof = 10 + 46 * lamps;
    let floor = roof + 64;
    let height = floor + LINE * (2 * probes + 2 * meters + 2);
    let wide = 1.0 / spots.len().max(1) as f64;
    html! {
        svg class="gradient" height=(height) role="img" aria-label=(told(spots)) {
            defs {
                linearGradient id="warmth" { stop class="warm" offset="0" {} stop class="cool" offset="1" {} }
            }
            rect class="inside" x="0" y="0.5" width="100%" height=(height - 1) rx="6" {}
            rect class="floor" x="0" y=(floor - 10) width="100%" height="8" fill="url(#warmth)" {}
            @for (nth, spot) in spots.iter().enumerate() {
                @let left = wide * nth as f64;
                @let middle = percent(left + wide / 2.0);
                @if nth > 0 { line class="edge" x1=(percent(left)) x2=(percent(left)) y1="8" y2=(height - 8) {} }
                @for (row, (name, does, is_on)) in spot.lamps.iter().enumerate() {
                    @let top = 8 + 46 * row;
                    svg class={ "lamp " (if *is_on { "on" } else { "off" }) } x=(middle) y=(top) overflow="visible" {
                        path d="M-11 0H11L7 9H-7Z" {}
                        @if *is_on { path class="rays" d="M-8 12-11 17M0 12V18M8 12 11 17" {} }
                    }
                    text class="name" x=(middle) y=(top + 30) text-anchor="middle" { (name) ": " (does) }
                }
                text class="spot" x=(middle) y=(floor + 14) text-anchor="middle" { (spot.name) }
                @for (row, (name, value, counts)) in spot.probes.iter().enumerate() {
                    @let top = floor + 14 + LINE * (2 * row + 1);
                    text class={ "value" (if *counts { "" } else { " doubtful" }) } x=(middle) y=(top + 2) text-anchor="middle" {
                        (value)
                    }
                    text class="name" x=(middle) y=(top + LINE) text-anchor="middle" { (name) }
                }
                @if let Some(meter) = &spot.meter {
                    @let top = floor + 14 + LINE * (2 * probes + 1);
                    text class="value" x=(middle) y=(top + 2) text-anchor="middle" { (meter) }
                    text class="name" x=(middle) y=(top + LINE) text-anchor="middle" { "by the meter" }
                }
            }
        }
    }
}

/// For those who do not see it.
fn told(spots: &[Spot]) -> String {
    let spot = |spot: &Spot| {
        let lamps = spot.lamps.iter().map(|(name, does, _)| format!("lamp {name} {does}"));
        let probes = spot.probes.iter().map(|(name, value, _)| format!("{name} {value}"));
        let meter = spot.meter.iter().map(|meter| format!("by the meter {meter}"));
        let all: Vec<_> = lamps.chain(probes).chain(meter).collect();
        format!("{}: {}", spot.name, if all.is_empty() { "nothing measured".to_owned() } else { all.join(", ") })
    };
    format!("From the hottest spot to the coolest. {}.", spots.iter().map(spot).collect::<Vec<_>>().join(". "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spots_stand_from_the_hottest_to_the_retreat_and_are_told() {
        let mut names = ["retreat", "cool", "log", "basking", "warm"];
        names.sort_by_key(|name| rank(name));
        assert_eq!(names, ["basking", "warm", "log", "cool", "retreat"]);
        let basking = Spot {
            name: "basking".into(),
            lamps: vec![("heat".into(), "62 %".into(), true)],
            probes: vec![("surface".into(), "33.1 °C".into(), true)],
            meter: Some("UVI 4.2".into()),
        };
        let html = drawn(&[basking, Spot { name: "cool".into(), ..Spot::default() }]).into_string();
        assert!(
            html.contains("basking: lamp heat 62 %, surface 33.1 °C, by the meter UVI 4.2. cool: nothing measured.")
        );
        assert!(html.contains("x=\"25%\"") && html.contains("class=\"rays\""), "{html}");
        assert!(!html.contains("style="));
    }
}
