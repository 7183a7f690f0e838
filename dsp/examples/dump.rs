//! throwaway
use rostra_dsp::Settings;
use rostra_dsp::acoustics::*;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::plan::acoustics;
use rostra_dsp::tail::BuildAtOnce;
use std::io::Write;
fn finish(n: &str) -> Finish {
    match n {
        "timber_platform" => Finish::TimberPlatform,
        "timber" => Finish::Timber,
        "plasterboard" => Finish::Plasterboard,
        "plaster" => Finish::Plaster,
        "brick" => Finish::Brick,
        "concrete" => Finish::Concrete,
        "carpet" => Finish::Carpet,
        "curtain" => Finish::Curtain,
        _ => Finish::MineralWool,
    }
}
fn main() {
    let input = std::io::read_to_string(std::io::stdin()).unwrap();
    let out = std::env::args().nth(1).unwrap();
    let mut file = std::io::BufWriter::new(std::fs::File::create(out).unwrap());
    for line in input.lines() {
        let f: Vec<&str> = line.split_whitespace().collect();
        let n = |i: usize| f[i].parse::<f64>().unwrap();
        let mut s = Settings::default();
        s.platform.width_m = n(0);
        s.platform.depth_m = n(1);
        s.platform.height_m = n(2);
        s.platform.decay_s = n(3);
        s.platform.floor = finish(f[4]);
        s.platform.rear = finish(f[5]);
        s.platform.sides = finish(f[6]);
        s.platform.canopy = finish(f[7]);
        let (x, y, z) = (n(8), n(9), n(10));
        s.seat.depth_m = y;
        s.seat.bearing_deg = (x / y).atan().to_degrees();
        s.seat.family = match f[11] {
            "horn" => Family::RearBell,
            "trumpet" => Family::ForwardBell,
            _ => Family::Omnidirectional,
        };
        s.seat.riser_m = 0.0;
        let zero = s.seat.source(&s.platform, &s.microphones).position.z;
        s.seat.riser_m = z - zero;
        s.microphones.pair = if f[12] == "omnis" { Pair::SpacedOmnis } else { Pair::NearCoincident };
        for balance in [0.0, 100.0] {
            s.level.balance_pct = balance;
            let s = s.snapped();
            let source = s.seat.source(&s.platform, &s.microphones);
            let a = acoustics(&source, &s.platform, &s.microphones, &s.level, 2);
            let mut engine =
                Engine::prepare(Config { sample_rate_hz: 48_000.0, layout: Layout::MonoToStereo }).unwrap();
            let (mut l, mut r) = (vec![0.0f32; 65536], vec![0.0f32; 65536]);
            l[8192] = 1.0;
            engine.process(&s, &mut BuildAtOnce::default(), &mut [&mut l, &mut r]);
            for x in l.iter().chain(&r) {
                file.write_all(&(x / a.factor_gain as f32).to_le_bytes()).unwrap();
            }
        }
    }
}
