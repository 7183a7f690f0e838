//! What the sheet shows and what a hand changes, as plain values.

use nice_plug::prelude::Enum;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Air, Family, Finish, Pair, Pickup, Platform, Seat};
use rostra_dsp::settings::{Level, Tone};
use rostra_files::nearest;

use crate::choice::Listed;
use crate::parameters::{
    AIR_LOSS, BALANCE, BEARING, CLOSE_MIC, DECAY, DEPTH, FACING, HUMIDITY, LAW, LOW_MID_FREQUENCY,
    LOW_MID_GAIN, NUMBERS, PICKUP_DEPTH, PICKUP_HEIGHT, PLATFORM_DEPTH, PLATFORM_HEIGHT, PLATFORM_WIDTH,
    Parameters, RISER, TEMPERATURE, TRIM, WIDTH,
};
use crate::platform_link::Link;
use crate::quantity::Number;

/// A list to choose from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum List {
    /// How the instrument radiates.
    Radiation,
    /// Finish of the floor.
    Floor,
    /// Finish of the rear wall.
    Rear,
    /// Finish of both side walls.
    Sides,
    /// Finish of the canopy.
    Canopy,
    /// The arrangement of the capsules.
    Pickup,
    /// The shared platform.
    Link,
}

impl List {
    /// Every list, in the order of [`Values`].
    pub const ALL: [Self; 7] =
        [Self::Radiation, Self::Floor, Self::Rear, Self::Sides, Self::Canopy, Self::Pickup, Self::Link];

    /// Returns the name that hosts show, too.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Radiation => "Radiation",
            Self::Floor => "Floor",
            Self::Rear => "Rear wall",
            Self::Sides => "Side walls",
            Self::Canopy => "Canopy",
            Self::Pickup => "Pickup",
            Self::Link => "Platform link",
        }
    }

    /// Returns the id of the parameter.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Radiation => "family",
            Self::Floor => "floor",
            Self::Rear => "rear",
            Self::Sides => "sides",
            Self::Canopy => "canopy",
            Self::Pickup => "pickup",
            Self::Link => "link",
        }
    }

    /// Returns the entries.
    pub fn entries(self) -> &'static [&'static str] {
        match self {
            Self::Radiation => Listed::<Family>::names(),
            Self::Pickup => Listed::<Pair>::names(),
            Self::Link => Listed::<Link>::names(),
            Self::Floor | Self::Rear | Self::Sides | Self::Canopy => Listed::<Finish>::names(),
        }
    }
}

/// A switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Switch {
    /// The dry signal at the loudness of the placed one.
    Dry,
    /// The dry signal at unity gain.
    Bypass,
}

impl Switch {
    /// Returns the name that hosts show, too.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Dry => "Compare dry",
            Self::Bypass => "Bypass",
        }
    }
}

/// What a hand does; numbers are in their own unit.
///
/// A gesture on a number is `Begin`, any number of `Set`, `End`: one step of a host's undo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Edit {
    /// A hand takes hold of a number.
    Begin(&'static Number),
    /// The number changes.
    Set(&'static Number, f64),
    /// The hand lets go.
    End(&'static Number),
    /// An entry is chosen, a gesture of its own.
    Choose(List, usize),
    /// A switch is thrown, a gesture of its own.
    Throw(Switch, bool),
}

impl Edit {
    /// Returns what a parameter's id and a value in words ask for: a number with or without its unit, or an entry's name.
    ///
    /// # Errors
    /// In words, when there is no such parameter on the sheet, or it cannot be that.
    pub fn of_words(id: &str, value: &str) -> Result<Self, String> {
        let (id, value) = (id.trim(), value.trim());
        if let Some(number) = NUMBERS.into_iter().find(|number| number.id == id) {
            let (low, high) = number.range;
            let range = || format!("{} takes {} to {}", number.name, number.shown(low), number.shown(high));
            return match number.parse(value) {
                Some(typed) if (low..=high).contains(&typed) => Ok(Self::Set(number, number.on_grid(typed))),
                Some(_) => Err(range()),
                None => Err(format!("{}; what stands there is no number, or has another unit", range())),
            };
        }
        let switches = [("dry", Switch::Dry), ("bypass", Switch::Bypass)];
        if let Some((_, switch)) = switches.into_iter().find(|(known, _)| *known == id) {
            return match value {
                "on" | "true" => Ok(Self::Throw(switch, true)),
                "off" | "false" => Ok(Self::Throw(switch, false)),
                _ => Err(format!("{} is on or off", switch.name())),
            };
        }
        let list = List::ALL.into_iter().find(|list| list.id() == id);
        let list = list.ok_or_else(|| {
            let known = NUMBERS.iter().map(|number| number.id).chain(List::ALL.map(List::id));
            let hint = match nearest(id, known) {
                Some(meant) => format!("did you mean \"{meant}\"?"),
                None => "the README's table has them all".to_owned(),
            };
            format!("there is no parameter \"{id}\"; {hint}")
        })?;
        let entry = list.entries().iter().position(|entry| entry.eq_ignore_ascii_case(value));
        entry
            .map(|entry| Self::Choose(list, entry))
            .ok_or_else(|| format!("{} is one of: {}", list.name(), list.entries().join(", ")))
    }
}

/// Everything that the sheet shows of the parameters.
#[derive(Clone, Debug, PartialEq)]
pub struct Values {
    /// By place in [`NUMBERS`].
    numbers: [f64; NUMBERS.len()],
    /// Entry, by place in [`List::ALL`].
    chosen: [usize; List::ALL.len()],
    /// Whether the dry signal is compared.
    pub dry: bool,
    /// Whether the instance is bypassed.
    pub bypass: bool,
}

impl Values {
    /// Reads the parameters.
    pub fn of(parameters: &Parameters) -> Self {
        let (dry, bypass) = (parameters.dry.value(), parameters.bypass.value());
        let mut values = Self { dry, bypass, ..Self::from(&parameters.settings()) };
        values.chosen[List::Link as usize] = parameters.link.value().to_index();
        values
    }

    /// Returns a number, in its unit.
    pub fn number(&self, number: &Number) -> f64 {
        place_of(number).map_or(number.default, |place| self.numbers[place])
    }

    /// Returns the chosen entry of a list.
    pub fn chosen(&self, list: List) -> usize {
        self.chosen[list as usize]
    }

    /// Does what a hand did.
    pub fn apply(&mut self, edit: Edit) {
        match edit {
            Edit::Set(number, value) => {
                if let Some(place) = place_of(number) {
                    self.numbers[place] = value;
                }
            }
            Edit::Choose(list, entry) => self.chosen[list as usize] = entry,
            Edit::Throw(Switch::Dry, on) => self.dry = on,
            Edit::Throw(Switch::Bypass, on) => self.bypass = on,
            Edit::Begin(_) | Edit::End(_) => {}
        }
    }

    /// Returns the plain settings, in range and snapped.
    pub fn settings(&self) -> Settings {
        let number = |number: &Number| self.number(number);
        let finish = |list| Listed::<Finish>::from_index(self.chosen(list)).0;
        let close_mic_m = number(&CLOSE_MIC);
        Settings {
            seat: Seat {
                depth_m: number(&DEPTH),
                bearing_deg: number(&BEARING),
                riser_m: number(&RISER),
                facing_deg: number(&FACING),
                family: Listed::<Family>::from_index(self.chosen(List::Radiation)).0,
                width_m: number(&WIDTH),
            },
            platform: Platform {
                width_m: number(&PLATFORM_WIDTH),
                depth_m: number(&PLATFORM_DEPTH),
                height_m: number(&PLATFORM_HEIGHT),
                floor: finish(List::Floor),
                rear: finish(List::Rear),
                sides: finish(List::Sides),
                canopy: finish(List::Canopy),
                decay_s: number(&DECAY),
                air: Air {
                    temperature_c: number(&TEMPERATURE),
                    humidity_pct: number(&HUMIDITY),
                    loss: number(&AIR_LOSS),
                },
            },
            pickup: Pickup {
                pair: Listed::<Pair>::from_index(self.chosen(List::Pickup)).0,
                depth_m: number(&PICKUP_DEPTH),
                height_m: number(&PICKUP_HEIGHT),
            },
            tone: Tone {
                close_mic_m: (close_mic_m < CLOSE_MIC.range.1).then_some(close_mic_m),
                low_mid_hz: number(&LOW_MID_FREQUENCY),
                low_mid_db: number(&LOW_MID_GAIN),
            },
            level: Level { balance_pct: number(&BALANCE), law_pct: number(&LAW), trim_db: number(&TRIM) },
        }
        .snapped()
    }
}

impl From<&Settings> for Values {
    fn from(settings: &Settings) -> Self {
        let Settings { seat, platform, pickup, tone, level } = settings;
        Self {
            // In the order of NUMBERS.
            numbers: [
                seat.depth_m,
                seat.bearing_deg,
                seat.riser_m,
                seat.facing_deg,
                seat.width_m,
                platform.width_m,
                platform.depth_m,
                platform.height_m,
                platform.decay_s,
                pickup.depth_m,
                pickup.height_m,
                platform.air.loss,
                platform.air.temperature_c,
                platform.air.humidity_pct,
                tone.close_mic_m.unwrap_or(CLOSE_MIC.range.1),
                tone.low_mid_hz,
                tone.low_mid_db,
                level.balance_pct,
                level.law_pct,
                level.trim_db,
            ],
            chosen: [
                Listed(seat.family).to_index(),
                Listed(platform.floor).to_index(),
                Listed(platform.rear).to_index(),
                Listed(platform.sides).to_index(),
                Listed(platform.canopy).to_index(),
                Listed(pickup.pair).to_index(),
                // No setting of the engine's.
                0,
            ],
            dry: false,
            bypass: false,
        }
    }
}

fn place_of(number: &Number) -> Option<usize> {
    NUMBERS.iter().position(|other| other.id == number.id)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_come_back_from_their_values() {
        let seat = Seat {
            depth_m: 9.5,
            bearing_deg: 22.0,
            riser_m: 0.6,
            facing_deg: -12.0,
            family: Family::RearBell,
            width_m: 2.5,
        };
        let mut settings = Settings { seat, ..Settings::default() };
        settings.platform.width_m = 20.0;
        settings.platform.rear = Finish::Brick;
        settings.platform.canopy = Finish::Curtain;
        settings.platform.air.humidity_pct = 40.0;
        settings.pickup.pair = Pair::SpacedOmnis;
        settings.pickup.height_m = 3.5;
        settings.tone.close_mic_m = Some(0.4);
        settings.tone.low_mid_db = -3.0;
        settings.level.law_pct = 20.0;
        assert_eq!(Values::from(&settings).settings(), settings.snapped());
        assert_eq!(Values::of(&Parameters::default()).settings(), Settings::default().snapped());
    }

    #[test]
    fn every_edit_changes_what_it_names_and_nothing_else() {
        let before = Values::from(&Settings::default());
        for number in NUMBERS {
            let mut values = before.clone();
            values.apply(Edit::Set(number, number.range.0));
            for other in NUMBERS {
                let expected = if other.id == number.id { number.range.0 } else { before.number(other) };
                assert_eq!(values.number(other), expected, "{} after {}", other.id, number.id);
            }
        }
        for list in List::ALL {
            let mut values = before.clone();
            values.apply(Edit::Choose(list, 1));
            assert!(List::ALL.iter().all(|&other| {
                values.chosen(other) == if other == list { 1 } else { before.chosen(other) }
            }));
        }
    }
}
