//! Seats, platforms and families that the checks go through.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish, Pair, Platform};

/// Three platforms: the default, a small soft one, a large hard one.
pub fn platforms() -> [Platform; 3] {
    let default = Platform::default();
    [
        default,
        Platform {
            width_m: 12.0,
            depth_m: 9.0,
            height_m: 7.0,
            floor: Finish::Carpet,
            rear: Finish::Curtain,
            sides: Finish::Plaster,
            canopy: Finish::Plasterboard,
            decay_s: 0.4,
            ..default
        },
        Platform {
            width_m: 24.0,
            depth_m: 16.0,
            height_m: 13.0,
            floor: Finish::TimberPlatform,
            rear: Finish::Brick,
            sides: Finish::Plaster,
            canopy: Finish::Timber,
            decay_s: 0.9,
            ..default
        },
    ]
}

/// Three families: even, a lobe to the back, a lobe upwards and sideways.
pub const FAMILIES: [Family; 3] = [Family::Omnidirectional, Family::RearBell, Family::TopPlate];

/// Rows and files of the seats on each platform: 36 in all.
const DEPTH_SHARES: [f64; 6] = [0.2, 0.33, 0.46, 0.6, 0.75, 0.9];
const BEARINGS_DEG: [f64; 6] = [-42.0, -25.0, -8.0, 9.0, 23.0, 44.0];

/// Returns 36 seats on each of three platforms in each of three families.
pub fn all() -> Vec<Settings> {
    let mut all = Vec::new();
    for platform in platforms() {
        for family in FAMILIES {
            for (row, share) in DEPTH_SHARES.iter().enumerate() {
                for bearing_deg in BEARINGS_DEG {
                    let mut settings = Settings { platform, ..Settings::default() };
                    settings.seat.depth_m = share * platform.depth_m;
                    settings.seat.bearing_deg = bearing_deg;
                    // Risers rise with the rows (common practice, no source).
                    settings.seat.riser_m = 0.2 * row as f64;
                    settings.seat.family = family;
                    settings.microphones.pair = Pair::NearCoincident;
                    all.push(settings.snapped());
                }
            }
        }
    }
    all
}
