//! Tests of the whole room.

use proptest::prelude::*;

use super::*;

const SKELETON: &str = r#"
[site]
name = "garden-room"
timezone = "Europe/Lisbon"
latitude = 38.72
longitude = -9.14

[broker]
url = "mqtt://127.0.0.1:1883"      # mqtts:// for TLS

[care.woodland-basker]             # a care sheet
uv_zone = 3                        # or: basking_uvi = { low = 2.9, high = 7.4, ceiling = 8.0 }
basking = { day = 32.0, night = 20.0, cut = 40.0 }
photoperiod = { follow = "latitude", latitude = -18.9, shortest = "10h30m", longest = "13h30m", noon = "13:00" }

[[enclosure]]
id = "e1"
care = "woodland-basker"

[enclosure.probes.basking]
measures = "temperature"           # temperature, uvi, illuminance, power, humidity
topic = "garden/e1/basking"
pointer = "/t"                     # RFC 6901 into a JSON payload; absent: the payload is the number
every = "30s"
spot = "basking"                   # where it sits; meter readings taken at this spot belong to it; default "basking"

[enclosure.probes.basking-uv]
measures = "uvi"
topic = "garden/e1/uv"
every = "60s"

[enclosure.lamps.heat]
fitting = "halogen"
watts = 75
warms = "basking"                  # regulated and guarded by this probe
relay = { set = "garden/e1/heat/set", state = "garden/e1/heat", on = "ON", off = "OFF", hold = "5m" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "basking-uv"              # its UV arrives at this probe
relay = { set = "garden/e1/uvb/set", state = "garden/e1/uvb" }
after_dawn = "1h"
before_dusk = "1h"

[[rack]]
id = "r1"
bays = "01..24"
care = "woodland-basker"
# probes and lamps as for an enclosure; {rack} and {bay} in any topic
"#;

fn one(text: &str) -> Checked {
    parse(&[Source { name: "it.toml".to_owned(), text: text.to_owned() }])
}

#[test]
fn skeleton() {
    let checked = one(SKELETON);
    println!(
        "{}",
        render(&checked.findings, &[Source { name: "it.toml".to_owned(), text: SKELETON.to_owned() }], false)
    );
    println!("{:#?}", checked.settings.map(|s| s.enclosures[0].clone()));
    panic!();
}
proptest! {}
