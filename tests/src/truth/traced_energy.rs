//! Energy in time of the whole engine against traced rays.

use rostra_dsp::acoustics::{BANDS, NOMINAL_HZ, Pattern, Vector, world_axis};
use rostra_dsp::extremes::larger;
use rostra_dsp::tail::BuildAtOnce;

use super::{Row, energy_db, quantile};
use crate::cores;
use crate::parts_apart::{LEAD_S, Parts, RATE_HZ, direct_and_platform};
use crate::traced::{self, EDGES_MS, Energies, Traced, WINDOWS, radiation, windows_within};
use crate::window::window;
use crate::zero_phase::ZeroPhase;

const RAYS: &str = "Monte Carlo rays, traced_energy.csv";
/// What is rendered after the impulse, s: the last window and its edge.
const RENDERED_S: f64 = 0.51;
/// Octaves that are held to a bound: 500 Hz to 4 kHz.
const HELD: std::ops::RangeInclusive<usize> = 2..=5;
/// Octaves of the direct sound that tell its level: those in which it is within 10 dB of the axis.
const CLEAR: f64 = 0.1;

/// A span of windows that is held to a bound: from, to, ms; 90 % within, dB; the mean within, dB.
struct Span {
    from_ms: u32,
    to_ms: u32,
    ninety_db: f64,
    mean_db: f64,
}

const SPANS: [Span; 5] = [
    Span { from_ms: 3, to_ms: 10, ninety_db: 3.0, mean_db: 1.5 },
    Span { from_ms: 10, to_ms: 20, ninety_db: 3.0, mean_db: 1.5 },
    Span { from_ms: 20, to_ms: 46, ninety_db: 3.0, mean_db: 1.5 },
    Span { from_ms: 46, to_ms: 150, ninety_db: 3.0, mean_db: 1.5 },
    Span { from_ms: 3, to_ms: 500, ninety_db: 1.5, mean_db: 0.75 },
];

impl Span {
    fn name(&self) -> String {
        format!("{} to {} ms", self.from_ms, self.to_ms)
    }

    fn energy(&self, energies: &Energies, band: usize) -> f64 {
        energies[windows_within(self.from_ms, self.to_ms)].iter().map(|octaves| octaves[band]).sum()
    }
}

/// A traced row and what the engine rendered of it.
pub(super) struct Rendered {
    /// What was traced.
    traced: Traced,
    /// Energy of the platform against the direct sound of an omnidirectional source of the same power.
    got: Energies,
    /// How far the rendered direct sound's octaves lie from what pattern, path and air make of one level, worst, dB.
    direct_off_db: f64,
}

/// Renders every traced row on all cores.
pub(super) fn rendered() -> Vec<Rendered> {
    render_all(&traced::all())
}

fn render_all(all: &[Traced]) -> Vec<Rendered> {
    let bench = Bench::new();
    cores::map(all, BuildAtOnce::default, |supply, traced| bench.render(traced, supply))
}

struct Bench {
    /// Of the whole response.
    octaves: ZeroPhase,
    /// Of each window.
    within: [ZeroPhase; WINDOWS],
}

impl Bench {
    fn new() -> Self {
        // A window's edges reach over it.
        let frames = |seconds: f64| ((seconds + 0.002) * RATE_HZ) as usize;
        Self {
            octaves: ZeroPhase::octaves(frames(LEAD_S + RENDERED_S), RATE_HZ),
            within: std::array::from_fn(|window| {
                let lead_s = if window == 0 { LEAD_S } else { 0.0 };
                let seconds = f64::from(EDGES_MS[window + 1] - EDGES_MS[window]) * 1e-3;
                ZeroPhase::octaves(frames(lead_s + seconds), RATE_HZ)
            }),
        }
    }

    fn render(&self, traced: &Traced, supply: &mut BuildAtOnce) -> Rendered {
        let parts = direct_and_platform(&traced.settings, RENDERED_S, supply);
        let (level, direct_off_db) = self.level(traced, &parts);
        let q = traced.settings.seat.family.directivity_factor();
        // The omnidirectional source of the same power, without air.
        let omni: f64 = capsules(traced).iter().map(|(_, gain)| gain * gain).sum();
        let zero = (LEAD_S * RATE_HZ) as usize;
        let got = std::array::from_fn(|index| {
            let octaves = &self.within[index];
            let mut heard = [0.0; BANDS];
            for channel in &parts.platform {
                let [from_s, to_s] = [index, index + 1].map(|edge| f64::from(EDGES_MS[edge]) * 1e-3);
                let part = window(channel, RATE_HZ, zero, from_s, to_s);
                for (cell, energy) in heard.iter_mut().zip(octaves.energies(&part)) {
                    *cell += energy;
                }
            }
            let impulse = octaves.energies(&[1.0]);
            std::array::from_fn(|band| heard[band] * q[band] / (level * omni * impulse[band]))
        });
        Rendered { traced: traced.clone(), got, direct_off_db }
    }

    /// Returns the engine's factor on everything as energy, from the direct sound as rendered, and how far single octaves
    /// lie from it in dB.
    ///
    /// Path, capsules, pattern and air are taken off octave by octave; the mean in dB
    /// over the octaves in which the direct sound is clear is the factor.
    fn level(&self, traced: &Traced, parts: &Parts) -> (f64, f64) {
        let platform = &traced.settings.platform;
        let patterns = traced.settings.seat.family.patterns();
        let axis = axis(traced);
        let mut heard = [0.0; BANDS];
        for channel in &parts.direct {
            for (cell, energy) in heard.iter_mut().zip(self.octaves.energies(channel)) {
                *cell += energy;
            }
        }
        let impulse = self.octaves.energies(&[1.0]);
        let mut levels_db = Vec::new();
        for band in 0..BANDS - 1 {
            let air_db_per_m = platform.air_db_per_m()[band];
            let (mut expected, mut on_axis) = (0.0, 0.0);
            for (towards, gain) in capsules(traced) {
                let departure = (towards * -1.0).unit();
                let air = 10_f64.powf(-air_db_per_m * towards.length() / 10.0);
                let power = gain * gain * air * impulse[band];
                on_axis += power;
                expected += power * patterns[band].gain(departure.dot(axis)).powi(2);
            }
            if expected > CLEAR * on_axis {
                levels_db.push(energy_db(heard[band] / expected));
            }
        }
        let mean_db = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
        let off_db = levels_db.iter().map(|db| (db - mean_db).abs()).fold(0.0, larger);
        (10_f64.powf(mean_db / 10.0), off_db)
    }
}

/// Returns, for each capsule, the way to the source and M/r.
fn capsules(traced: &Traced) -> [(Vector, f64); 2] {
    let settings = &traced.settings;
    let source = settings.seat.source(&settings.platform, &settings.microphones).position;
    settings.microphones.pair.capsules().map(|capsule| {
        let towards = source - (settings.microphones.position() + capsule.offset);
        (towards, capsule.gain(towards.unit()) / towards.length())
    })
}

fn axis(traced: &Traced) -> Vector {
    let settings = &traced.settings;
    let source = settings.seat.source(&settings.platform, &settings.microphones);
    world_axis(settings.seat.family, source.forward)
}

/// Energy of the platform in time against traced rays: 24 seats, three sources, two pairs.
pub fn traced_energy() -> Vec<Row> {
    let all = rendered();
    let mut rows = Vec::new();
    for span in &SPANS {
        let errors = Errors::of(&all, span, HELD, |_| true);
        let what = format!("platform's energy {} after the direct sound, 500 Hz to 4 kHz", span.name());
        rows.push(Row::at_most(format!("{what}, 90 %"), errors.ninety_db, span.ninety_db, "dB", RAYS));
        rows.push(Row::at_most(
            format!("{what}, mean ({:+.2})", errors.mean_db),
            errors.mean_db.abs(),
            span.mean_db,
            "dB",
            RAYS,
        ));
        let what = format!("{what}, worst ({})", errors.worst_at);
        rows.push(Row::told(what, errors.worst_db, "dB", RAYS));
    }
    rows.extend(controls(&all));
    rows.extend(in_detail(&all));
    let axis_off_deg = all.iter().map(|row| row.traced.axis_off_deg).fold(0.0, larger);
    rows.push(Row::told("axis of a family against the traced one, worst", axis_off_deg, "deg", RAYS));
    rows.push(Row::told(
        "pattern of a family against the traced one, worst direction",
        pattern_off_db(),
        "dB",
        RAYS,
    ));
    let direct_off_db = all.iter().map(|row| row.direct_off_db).fold(0.0, larger);
    rows.push(Row::told(
        "octaves of the rendered direct sound against pattern, path and air at one level, worst",
        direct_off_db,
        "dB",
        "ISO 9613-1, geometry and the family's pattern",
    ));
    rows
}

/// Errors of some rows in some octaves.
struct Errors {
    ninety_db: f64,
    mean_db: f64,
    worst_db: f64,
    worst_at: String,
}

impl Errors {
    fn of(
        all: &[Rendered],
        span: &Span,
        bands: std::ops::RangeInclusive<usize>,
        counts: impl Fn(&Traced) -> bool,
    ) -> Self {
        let mut errors = Vec::new();
        let mut worst = (0.0_f64, String::new());
        for row in all.iter().filter(|row| counts(&row.traced)) {
            for band in bands.clone() {
                let error = energy_db(span.energy(&row.got, band) / span.energy(&row.traced.energies, band));
                errors.push(error);
                // What is no number is the worst.
                if error.is_nan() || error.abs() > worst.0.abs() {
                    let Traced { seat, source, pair, .. } = &row.traced;
                    let at = format!("{seat}, {source}, {}, {} Hz", pair.name(), NOMINAL_HZ[band]);
                    worst = (error, at);
                }
            }
        }
        let mean_db = errors.iter().sum::<f64>() / errors.len() as f64;
        let mut sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        Self { ninety_db: quantile(&mut sizes, 0.9), mean_db, worst_db: worst.0, worst_at: worst.1 }
    }
}

/// Held against the rays of another seat, and with a decay that was not traced, it must not hold.
fn controls(all: &[Rendered]) -> Vec<Row> {
    let mut moved: Vec<Rendered> = Vec::new();
    for row in all {
        let others = all.iter().filter(|other| {
            let (a, b) = (&other.traced, &row.traced);
            (&a.platform, &a.source, a.pair) == (&b.platform, &b.source, b.pair) && a.seat > b.seat
        });
        if let Some(other) = others.max_by(|a, b| a.traced.place.y.total_cmp(&b.traced.place.y)) {
            let traced = Traced { energies: other.traced.energies, ..row.traced.clone() };
            moved.push(Rendered { traced, got: row.got, direct_off_db: row.direct_off_db });
        }
    }
    let mut longer: Vec<Traced> =
        all.iter().filter(|row| row.traced.source == "even").map(|row| row.traced.clone()).collect();
    for traced in &mut longer {
        traced.settings.platform.decay_s *= 1.6;
    }
    let longer = render_all(&longer);
    let [.., late, whole] = &SPANS;
    let mut rows: Vec<Row> = SPANS[..2]
        .iter()
        .map(|span| {
            let figure = Errors::of(&moved, span, HELD, |_| true).ninety_db;
            let what =
                format!("the same, {}, against the rays of another seat, 90 % (the control)", span.name());
            Row::at_least(what, figure, span.ninety_db, "dB", RAYS)
        })
        .collect();
    for span in [late, whole] {
        let figure = Errors::of(&longer, span, HELD, |_| true).ninety_db;
        let what = format!("the same, {}, with a decay 1.6 times as long, 90 % (the control)", span.name());
        rows.push(Row::at_least(what, figure, span.ninety_db, "dB", RAYS));
    }
    rows
}

/// What is held to no bound: each platform, each source, and the octaves outside 500 Hz to 4 kHz.
fn in_detail(all: &[Rendered]) -> Vec<Row> {
    let mut rows = Vec::new();
    for span in &SPANS {
        let mut tell = |name: &str, errors: &Errors| {
            let what = format!(
                "platform's energy {}, {name}, 90 % (mean {:+.2}, worst {:+.1}: {})",
                span.name(),
                errors.mean_db,
                errors.worst_db,
                errors.worst_at
            );
            rows.push(Row::told(what, errors.ninety_db, "dB", RAYS));
        };
        for name in ["default", "small", "large"] {
            let errors = Errors::of(all, span, HELD, |traced| traced.platform == name);
            tell(&format!("{name} platform"), &errors);
        }
        for name in ["even", "horn", "trumpet"] {
            tell(name, &Errors::of(all, span, HELD, |traced| traced.source == name));
        }
        for band in [0, 1, BANDS - 1] {
            tell(&format!("{} Hz", NOMINAL_HZ[band]), &Errors::of(all, span, band..=band, |_| true));
        }
    }
    rows
}

/// Returns how far the families' patterns lie from those that were traced, worst of all directions and octaves, dB.
fn pattern_off_db() -> f64 {
    let mut worst = 0.0;
    for source in ["horn", "trumpet"] {
        let traced = radiation(source).expect("it was traced");
        let family = traced::family(source);
        for band in 0..BANDS {
            let (q, leak) = (traced.q[band], traced.leak[band]);
            let exponent = ((1.0 - leak) / (1.0 / q - leak) - 1.0) / 2.0;
            let wanted = Pattern { exponent, leak };
            let got = family.patterns()[band];
            for step in 0..=40 {
                let cosine = f64::from(step) / 20.0 - 1.0;
                let power = |pattern: &Pattern, q: f64| q * pattern.gain(cosine).powi(2);
                let off = energy_db(power(&got, family.directivity_factor()[band]) / power(&wanted, q));
                worst = larger(worst, off.abs());
            }
        }
    }
    worst
}

/// Returns every seat, source, pair, window and octave as lines of a table: traced, got, error, dB.
pub fn traced_energy_in_full() -> String {
    let mut text =
        String::from("platform,seat,source,pair,from_ms,to_ms,octave_hz,traced_db,got_db,error_db\n");
    for row in rendered() {
        let Traced { platform, seat, source, pair, energies, .. } = &row.traced;
        let windows = EDGES_MS.windows(2).map(|edges| Span {
            from_ms: edges[0],
            to_ms: edges[1],
            ninety_db: f64::NAN,
            mean_db: f64::NAN,
        });
        for span in windows.chain(SPANS) {
            for band in 0..BANDS {
                let traced_db = energy_db(span.energy(energies, band));
                let got_db = energy_db(span.energy(&row.got, band));
                let line = format!(
                    "{platform},{seat},{source},{},{},{},{},{traced_db:.2},{got_db:.2},{:.2}\n",
                    pair.name(),
                    span.from_ms,
                    span.to_ms,
                    NOMINAL_HZ[band],
                    got_db - traced_db
                );
                text.push_str(&line);
            }
        }
    }
    text
}
