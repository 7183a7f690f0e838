//! The plan as the engine makes it: within microseconds, without allocating.
//!
//! [`crate::plan::acoustics`] and `oracle` say the same, slowly and obviously.
//! Here, arrivals run eight at a time in `f32`
//! (delays in `f64`), what does not depend on the seat is kept from plan to plan
//! (`seat_independent_terms`), both capsules share the fit of an image's spectrum,
//! and the low octaves are summed by pairs of frequencies
//! (`fast_low`). What is kept never changes a result: a plan is a
//! function of the settings and the tail alone.

mod arrivals;
pub(crate) mod scattering;
mod tail;

use arrivals::PlanArrivals;
use scattering::FastScattered;
use tail::{FEEDS, PlanTail};

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::decibel::gain_of_db;
use crate::acoustics::microphones::Microphones;
use crate::acoustics::platform::{PARTS, Platform};
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::seat::Source;
use crate::acoustics::section::{PLACES, Spot};
use crate::kernel::instruction_set::{InstructionSet, SIMD_WIDTH};
use crate::plan::band_split::{BRANCHES, FITTED, SplitDesign, Weights};
use crate::plan::branch_fit::{OctaveFit, ThirdFit};
use crate::plan::fast_fit::{FastFit, FitScratch};
use crate::plan::fast_low::{FastLowBranches, LowScratch, LowSums, Part};
use crate::plan::fast_thirds::FastThirds;
use crate::plan::low_octaves::LOW;
use crate::plan::low_tail::LowTail;
use crate::plan::seat_independent_terms::{SLOTS, SeatIndependentTerms};
use crate::plan::source_acoustics::{Energies, level_in_the_room};
use crate::plan::source_plan::{SOURCES, SourcePlan};
use crate::plan::tail_feed::{LATE_TAPS, RIGHT_LATER_S};
use crate::settings::{Level, Settings};

/// Makes the plans of one engine.
///
/// A plan falls in two: its arrivals, for every grid step at which something
/// moves, and what its tail is fed with, which may follow later and less often.
#[derive(Clone, Debug)]
pub struct Planner {
    instructions: InstructionSet,
    sample_rate_hz: f64,
    channels: usize,
    fit: FastFit,
    thirds: FastThirds,
    branches: FastLowBranches,
    terms: Option<SeatIndependentTerms>,
    trim: Trim,
    room: Option<RoomLevel>,
    /// What the arrivals planned last leave for the tail, by source.
    heard: Vec<HeardSource>,
    scratch: Box<Scratch>,
}

/// What is heard of one source.
#[derive(Clone, Debug)]
struct HeardSource {
    capsules: [Heard; 2],
    /// Mean of both capsules' gains without M/r, relative to the strongest band; by band.
    mean: [[f32; SLOTS]; FITTED],
    /// Factors on them with which the steps between branches follow them.
    factors: [[f32; SLOTS]; FITTED],
    /// What the faces scatter.
    scattered: FastScattered,
    /// Energies before the factor.
    energies: Energies,
    /// Paths by which the taps of late sound come later, m.
    late_later_m: [f32; LATE_TAPS],
    /// Loudness of what is diffuse.
    diffuse: f32,
}

impl HeardSource {
    const NOTHING: Self = Self {
        capsules: [Heard::NOTHING, Heard::NOTHING],
        mean: [[1.0; SLOTS]; FITTED],
        factors: [[1.0; SLOTS]; FITTED],
        scattered: FastScattered::NOTHING,
        energies: Energies::NOTHING,
        late_later_m: [0.0; LATE_TAPS],
        diffuse: 0.0,
    };
}

/// What one capsule hears of the arrivals.
#[derive(Clone, Debug)]
struct Heard {
    path_m: [f64; SLOTS],
    path: [f32; SLOTS],
    /// Delay in samples.
    delay: [f32; SLOTS],
    /// What each arrival is a part of.
    part: [Part; SLOTS],
    /// log2 of (1 + cos theta)/2, theta the angle of departure to the axis.
    log_lobe: [f32; SLOTS],
    /// M/r.
    common: [f32; SLOTS],
    /// Gains without `common`, by band.
    shape: [[f32; SLOTS]; FITTED],
}

impl Heard {
    const NOTHING: Self = Self {
        path_m: [0.0; SLOTS],
        path: [0.0; SLOTS],
        delay: [0.0; SLOTS],
        part: [Part::None; SLOTS],
        log_lobe: [0.0; SLOTS],
        common: [0.0; SLOTS],
        shape: [[0.0; SLOTS]; FITTED],
    };
}

/// Scratch memory of a plan: nothing in it outlives the plan.
#[derive(Clone, Debug)]
struct Scratch {
    steps: [[f32; SLOTS]; FITTED],
    fit: FitScratch<SLOTS>,
    feed: FeedScratch,
}

/// Scratch memory of what feeds the tail.
#[derive(Clone, Debug)]
struct FeedScratch {
    /// Gains wanted, by band.
    wanted: [[f32; FEEDS]; FITTED],
    /// Gains relative to the strongest band, then steps; by band.
    gain: [[f32; FEEDS]; FITTED],
    factor: [[f32; FEEDS]; FITTED],
    fit: FitScratch<FEEDS>,
    sign: [f32; FEEDS],
    delay: [f32; FEEDS],
    /// Complex gains in the middle of each low octave.
    low_gain: [[[f32; FEEDS]; 2]; LOW],
    low: LowScratch<{ FEEDS + SIMD_WIDTH }>,
    sums: [LowSums; PARTS],
    weights: [Weights; FEEDS],
}

impl Scratch {
    const EMPTY: Self = Self {
        steps: [[0.0; SLOTS]; FITTED],
        fit: FitScratch::EMPTY,
        feed: FeedScratch {
            wanted: [[0.0; FEEDS]; FITTED],
            gain: [[0.0; FEEDS]; FITTED],
            factor: [[0.0; FEEDS]; FITTED],
            fit: FitScratch::EMPTY,
            sign: [0.0; FEEDS],
            delay: [0.0; FEEDS],
            low_gain: [[[0.0; FEEDS]; 2]; LOW],
            low: LowScratch::EMPTY,
            sums: [const { LowSums::NOTHING }; PARTS],
            weights: [[0.0; BRANCHES]; FEEDS],
        },
    };
}

/// How a source follows the room, which depends on no seat.
#[derive(Clone, Copy, Debug)]
struct RoomLevel {
    depends_on: (Platform, Microphones, Family, RecordedFrom, f64),
    gain: f64,
}

/// A trim and its gain: `powf` is expensive.
#[derive(Clone, Copy, Debug)]
struct Trim {
    db: f64,
    gain: f64,
}

impl Planner {
    /// Prepares the plans of an engine with one or two output channels.
    pub fn new(design: &SplitDesign, channels: usize, instructions: InstructionSet) -> Self {
        Self {
            instructions,
            sample_rate_hz: design.sample_rate_hz(),
            channels,
            fit: FastFit::new(&OctaveFit::of_octaves(design)),
            thirds: FastThirds::new(&ThirdFit::of_thirds(design)),
            branches: FastLowBranches::new(design),
            terms: None,
            trim: Trim { db: 0.0, gain: 1.0 },
            room: None,
            heard: vec![HeardSource::NOTHING; SOURCES + PLACES],
            scratch: Box::new(Scratch::EMPTY),
        }
    }

    /// Makes the plan of one source: 0 the middle of the seat, 1 and 2 the left and right end of a stereo channel.
    ///
    /// `tail` holds the low octaves of the tail that plays, when it is known and
    /// fed without detour. The settings are to be snapped.
    pub fn plan(
        &mut self,
        settings: &Settings,
        source: usize,
        tail: Option<&LowTail>,
        plan: &mut SourcePlan,
    ) {
        self.plan_arrivals(settings, source, plan);
        self.plan_tail(source, tail, plan);
    }

    /// Makes the first part of a plan: the arrivals of one source.
    ///
    /// The tail's weights and all energies stay as the plan has them.
    pub fn plan_arrivals(&mut self, settings: &Settings, source: usize, plan: &mut SourcePlan) {
        let (seat, platform, microphones) = (&settings.seat, &settings.platform, &settings.microphones);
        let index = source.min(SOURCES - 1);
        let source = match index {
            0 => seat.source(platform, microphones),
            end => seat.sources(platform, microphones)[end - 1],
        };
        self.plan_arrivals_of(settings, index, &source, &[1.0; SLOTS], plan);
    }

    /// Makes the arrivals of a place of a section, for a player who stands on a spot of it, with so much of each arrival.
    pub(crate) fn plan_place(
        &mut self,
        settings: &Settings,
        place: usize,
        spot: Spot,
        shares: &[f32; ARRIVALS],
        plan: &mut SourcePlan,
    ) {
        let source = settings.seat.source_on(spot, &settings.platform, &settings.microphones);
        let mut of_slots = [0.0; SLOTS];
        of_slots[..ARRIVALS].copy_from_slice(shares);
        self.plan_arrivals_of(settings, SOURCES + place.min(PLACES - 1), &source, &of_slots, plan);
    }

    fn plan_arrivals_of(
        &mut self,
        settings: &Settings,
        index: usize,
        source: &Source,
        shares: &[f32; SLOTS],
        plan: &mut SourcePlan,
    ) {
        let (platform, microphones) = (&settings.platform, &settings.microphones);
        if !self.terms.as_ref().is_some_and(|terms| terms.hold_for(settings)) {
            self.terms = Some(SeatIndependentTerms::new(settings, self.channels));
        }
        let Some(terms) = &self.terms else { return };
        let Level { trim_db, .. } = settings.level;
        if self.trim.db != trim_db {
            self.trim = Trim { db: trim_db, gain: gain_of_db(trim_db) };
        }
        let room_gain = if settings.level.law_pct == 0.0 {
            1.0
        } else {
            let (family, recorded) = (source.family, source.recorded);
            let depends_on = (*platform, *microphones, family, recorded, settings.level.balance_pct);
            let room = match self.room {
                Some(room) if room.depends_on == depends_on => room,
                _ => RoomLevel {
                    depends_on,
                    gain: level_in_the_room(
                        family,
                        recorded,
                        platform,
                        microphones,
                        &settings.level,
                        self.channels,
                    ),
                },
            };
            self.room = Some(room);
            room.gain
        };
        self.instructions.run(PlanArrivals {
            terms,
            room_gain,
            late_by_m: if index == 2 { RIGHT_LATER_S * terms.speed_m_s } else { 0.0 },
            settings,
            source,
            shares,
            trim_gain: self.trim.gain,
            sample_rate_hz: self.sample_rate_hz,
            channels: self.channels,
            fit: &self.fit,
            thirds: &self.thirds,
            heard: &mut self.heard[index],
            scratch: &mut self.scratch,
            plan,
        });
    }

    /// Makes the second part of a plan, for the arrivals planned last for this source: energies, and the tail's weights.
    pub fn plan_tail(&mut self, source: usize, tail: Option<&LowTail>, plan: &mut SourcePlan) {
        let Some(terms) = &self.terms else { return };
        let source = source.min(SOURCES - 1);
        self.instructions.run(PlanTail {
            scattering: &terms.scattering,
            family_gain: terms.family_gain,
            source,
            fit: &self.fit,
            branches: &self.branches,
            heard: &self.heard[source],
            scratch: &mut self.scratch,
            tail,
            plan,
        });
    }
}

/// Turns steps into branch weights.
#[inline(always)]
fn branches_of(steps: &[f32; FITTED]) -> Weights {
    let mut branches = [0.0_f32; BRANCHES];
    branches[0] = steps[FITTED - 1];
    for band in 0..FITTED - 1 {
        branches[band + 1] = steps[band] - steps[band + 1];
    }
    branches
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::microphones::Pair;
    use crate::acoustics::octave::{BANDS, bands_at_rate, edges_hz};
    use crate::acoustics::radiation::Family;
    use crate::acoustics::recorded_from::RecordedFrom;
    use crate::acoustics::surface::Finish;
    use crate::extremes::largest;
    use crate::plan::oracle::{Fed, LowBranches, Player, tail_energy};
    use crate::plan::source_acoustics::{Acoustics, acoustics, balance_gains};
    use crate::tail::{TailSpec, TailSpectra};

    const RATE_HZ: f64 = 48_000.0;

    /// A xorshift generator (Marsaglia 2003): numbers from 0 to below 1.
    struct Chance(u64);

    impl Chance {
        fn next(&mut self) -> f64 {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 >> 11) as f64 / (1_u64 << 53) as f64
        }

        fn within(&mut self, low: f64, high: f64) -> f64 {
            low + (high - low) * self.next()
        }

        fn of<T: Copy>(&mut self, all: &[T]) -> T {
            all[(self.next() * all.len() as f64) as usize]
        }

        fn settings(&mut self) -> Settings {
            let mut settings = Settings::default();
            let platform = &mut settings.platform;
            platform.width_m = self.within(8.0, 30.0);
            platform.depth_m = self.within(5.0, 25.0);
            platform.height_m = self.within(4.0, 20.0);
            platform.floor = self.of(&Finish::ALL);
            platform.rear = self.of(&Finish::ALL);
            platform.sides = self.of(&Finish::ALL);
            platform.canopy = self.of(&Finish::ALL);
            platform.decay_s = self.within(0.2, 2.0);
            platform.air.loss = self.of(&[0.0, 1.0, 1.0, 3.0]);
            settings.seat.depth_m = self.within(0.5, 25.0);
            settings.seat.bearing_deg = self.within(-60.0, 60.0);
            settings.seat.facing_deg = self.within(-180.0, 180.0);
            settings.seat.riser_m = self.within(0.0, 2.0);
            settings.seat.family = self.of(&Family::ALL);
            settings.seat.recorded = self.of(&RecordedFrom::ALL);
            settings.microphones.pair = self.of(&Pair::ALL);
            settings.microphones.depth_m = self.within(0.0, 4.0);
            settings.microphones.height_m = self.within(1.5, 5.0);
            settings.level.law_pct = self.of(&[0.0, 60.0]);
            settings.level.trim_db = self.of(&[0.0, -6.0]);
            settings.snapped()
        }
    }

    struct Oracle {
        design: SplitDesign,
        fit: OctaveFit,
        direct_fit: ThirdFit,
        branches: LowBranches,
    }

    impl Oracle {
        fn new(rate_hz: f64) -> Self {
            let design = SplitDesign::new(rate_hz);
            Self {
                fit: OctaveFit::of_octaves(&design),
                direct_fit: ThirdFit::of_thirds(&design),
                branches: LowBranches::new(&design, rate_hz),
                design,
            }
        }

        fn plan(
            &self,
            settings: &Settings,
            channels: usize,
            tail: Option<&LowTail>,
        ) -> (Acoustics, SourcePlan) {
            let source = settings.seat.source(&settings.platform, &settings.microphones);
            let seat =
                acoustics(&source, &settings.platform, &settings.microphones, &settings.level, channels);
            let player = Player {
                fit: &self.fit,
                direct_fit: &self.direct_fit,
                branches: &self.branches,
                sample_rate_hz: self.design.sample_rate_hz(),
                channels,
                tail,
            };
            (seat, SourcePlan::new(&seat, settings, &player))
        }

        /// Returns what feeds both parts of the tail, on the frequencies looked at.
        fn fed(&self, plan: &SourcePlan) -> [Fed; PARTS] {
            let (early, late) = (&plan.early_feed, &plan.late_feed);
            [
                self.branches.fed(&early.delay_samples, &early.weights),
                self.branches.fed(&late.delay_samples, &late.weights),
            ]
        }

        /// Returns the energy in each octave of a sum of branches.
        fn energies(&self, weights: &Weights) -> Vec<f64> {
            const FINE: usize = 40;
            let bands = 0..bands_at_rate(self.design.sample_rate_hz());
            bands
                .map(|band| {
                    let (low, high) = edges_hz(band);
                    let points = (0..FINE).map(|point| {
                        let hz = low + (high - low) * (point as f64 + 0.5) / FINE as f64;
                        let sum = self.design.branch_responses(hz).iter().zip(weights).fold(
                            (0.0, 0.0),
                            |sum, (branch, &weight)| {
                                (sum.0 + branch.0 * f64::from(weight), sum.1 + branch.1 * f64::from(weight))
                            },
                        );
                        sum.0 * sum.0 + sum.1 * sum.1
                    });
                    points.sum::<f64>() / FINE as f64
                })
                .collect()
        }

        /// Returns the worst error in dB of weights against gains, among bands within 20 dB of the strongest.
        fn error_db(&self, weights: &Weights, gain: &[f64]) -> f64 {
            let strongest = largest(gain.iter().copied());
            let pairs = self.energies(weights).into_iter().zip(gain);
            // What is no number is in no band's favour.
            let strong = pairs.filter(|&(_, &gain)| gain.is_nan() || gain >= 0.1 * strongest);
            largest(strong.map(|(energy, gain)| (10.0 * (energy / (gain * gain)).log10()).abs()))
        }
    }

    fn share_below(errors: &mut [f64], share: f64) -> f64 {
        errors.sort_by(f64::total_cmp);
        errors[((errors.len() - 1) as f64 * share) as usize]
    }

    /// Delays to 1e-3 sample, energies to 0.01 dB, for any settings, by both instruction sets.
    #[test]
    fn plans_have_the_oracles_delays_and_energies() {
        let oracle = Oracle::new(RATE_HZ);
        for instructions in InstructionSet::in_use() {
            for channels in [1, 2] {
                let mut planner = Planner::new(&oracle.design, channels, instructions);
                let (mut chance, mut plan) = (Chance(1), SourcePlan::SILENCE);
                for _ in 0..150 {
                    let settings = chance.settings();
                    let (_, slow) = oracle.plan(&settings, channels, None);
                    planner.plan(&settings, 0, None, &mut plan);
                    for capsule in 0..2 {
                        let pairs = plan.capsules[capsule].delay_samples.iter();
                        for (got, expected) in pairs.zip(&slow.capsules[capsule].delay_samples) {
                            assert!(
                                (got - expected).abs() < 1e-3,
                                "{settings:?}: expected {expected}, got {got}"
                            );
                        }
                    }
                    let (got, expected) = (&plan.energies, &slow.energies);
                    let close = |got: f64, expected: f64| {
                        let error = (10.0 * (got / expected).log10()).abs();
                        assert!(
                            error < 0.01 || got == expected,
                            "{settings:?}: expected {expected}, got {got}"
                        );
                    };
                    for band in 0..BANDS {
                        close(got.direct[band], expected.direct[band]);
                        for part in 0..PARTS {
                            close(got.tail()[part][band], expected.tail()[part][band]);
                            close(got.target[part][band], expected.target[part][band]);
                            close(got.specular[part][band], expected.specular[part][band]);
                        }
                    }
                }
            }
        }
    }

    /// Levels against the gains asked for, over random settings with finishes and lobes that no sum of
    /// branches follows to the end: 95 % stay within 0.3 dB, and 99 % within 1 dB, of what the oracle keeps.
    #[test]
    fn weights_follow_the_gains() {
        // So many that one per cent of the arrivals are not those of a single platform of mineral wool.
        const SETTINGS: usize = 120;
        for rate_hz in [
            8_000.0, 11_025.0, 16_000.0, 22_050.0, 44_100.0, RATE_HZ, 96_000.0, 192_000.0, 384_000.0,
            768_000.0,
        ] {
            let oracle = Oracle::new(rate_hz);
            for instructions in InstructionSet::in_use() {
                let mut planner = Planner::new(&oracle.design, 2, instructions);
                let (mut chance, mut plan) = (Chance(2), SourcePlan::SILENCE);
                let (mut quick, mut slow) = (Vec::new(), Vec::new());
                for _ in 0..SETTINGS {
                    let settings = chance.settings();
                    let (seat, expected) = oracle.plan(&settings, 2, None);
                    planner.plan(&settings, 0, None, &mut plan);
                    for capsule in 0..2 {
                        for index in 0..ARRIVALS {
                            let bands = bands_at_rate(rate_hz);
                            let (direct, platform) = balance_gains(&settings.level);
                            let balance = if index == 0 { direct } else { platform };
                            let gain =
                                seat.arrivals[capsule][index].gain.map(|g| g * balance * seat.factor_gain);
                            if gain.iter().all(|&gain| gain > 1e-9) {
                                let weights =
                                    plan.capsules[capsule].weights[index].map(|weight| weight * plan.gain());
                                quick.push(oracle.error_db(&weights, &gain[..bands]));
                                slow.push(
                                    oracle
                                        .error_db(&expected.capsules[capsule].weights[index], &gain[..bands]),
                                );
                            }
                        }
                    }
                }
                let (got, oracles) = (share_below(&mut quick, 0.95), share_below(&mut slow, 0.95));
                assert!(got < oracles + 0.3, "{rate_hz} Hz: 95 % within {got} dB, the oracle {oracles} dB");
                let (got, oracles) = (share_below(&mut quick, 0.99), share_below(&mut slow, 0.99));
                assert!(got < oracles + 1.0, "{rate_hz} Hz: 99 % within {got} dB, the oracle {oracles} dB");
            }
        }
    }

    /// The tail's low octaves, as the slow plan sums its taps on its frequencies: what is asked for, in 95 % within 1 dB by the
    /// slow plan, within 2 dB by the fast one, which leaves out how the branches shape an octave within; not so where nothing
    /// is known of the kernels.
    #[test]
    fn tails_carry_their_energy_in_the_low_octaves() {
        let oracle = Oracle::new(RATE_HZ);
        let mut settings = Settings::default();
        let spec = TailSpec::new(&settings.platform, Some(settings.microphones.pair), RATE_HZ);
        let spectra = TailSpectra::build(&spec);
        let errors_db = |plan: &SourcePlan, factor: f64| -> Vec<f64> {
            let fed = oracle.fed(plan);
            let wanted = plan.energies.tail();
            let pairs = (0..PARTS).flat_map(|part| (0..LOW).map(move |band| (part, band)));
            pairs
                .map(|(part, band)| {
                    let got = tail_energy(spectra.low(), part, band, &fed[part]) * factor * factor;
                    (10.0 * (got / wanted[part][band]).log10()).abs()
                })
                .collect()
        };
        for instructions in InstructionSet::in_use() {
            let mut planner = Planner::new(&oracle.design, 2, instructions);
            let (mut chance, mut plan) = (Chance(3), SourcePlan::SILENCE);
            let (mut fast, mut slow, mut control) = (Vec::new(), Vec::new(), Vec::new());
            for _ in 0..60 {
                settings.seat.depth_m = chance.within(1.0, 11.0);
                settings.seat.bearing_deg = chance.within(-50.0, 50.0);
                let settings = settings.snapped();
                let (seat, slow_plan) = oracle.plan(&settings, 2, Some(spectra.low()));
                planner.plan(&settings, 0, Some(spectra.low()), &mut plan);
                fast.extend(errors_db(&plan, seat.factor_gain));
                slow.extend(errors_db(&slow_plan, seat.factor_gain));
                planner.plan(&settings, 0, None, &mut plan);
                control.extend(errors_db(&plan, seat.factor_gain));
            }
            let [fast, slow, control] =
                [fast, slow, control].map(|mut errors| share_below(&mut errors, 0.95));
            assert!(fast < 2.0, "95 % within {fast} dB, the slow plan {slow} dB, the control {control} dB");
            assert!(slow < 1.0, "the slow plan: 95 % within {slow} dB");
            assert!(control > 3.0, "unknown kernels: {control} dB");
        }
    }

    #[test]
    fn equal_gains_leave_the_sound_alone() {
        let mut settings = Settings::default();
        settings.platform.air.loss = 0.0;
        let mut planner = Planner::new(&SplitDesign::new(RATE_HZ), 2, InstructionSet::widest());
        let mut plan = SourcePlan::SILENCE;
        planner.plan(&settings, 0, None, &mut plan);
        for capsule in &plan.capsules {
            let direct = &capsule.weights[0];
            assert!(direct[1..].iter().all(|weight| weight.abs() < 1e-4 * direct[0]), "got {direct:?}");
        }
    }

    #[test]
    fn arrivals_alone_are_those_of_the_whole_plan() {
        let (mut chance, design) = (Chance(5), SplitDesign::new(RATE_HZ));
        let mut planner = Planner::new(&design, 2, InstructionSet::widest());
        let (mut whole, mut alone) = (SourcePlan::SILENCE, SourcePlan::SILENCE);
        for _ in 0..10 {
            let settings = chance.settings();
            planner.plan(&settings, 0, None, &mut whole);
            planner.plan_arrivals(&settings, 0, &mut alone);
            assert_eq!(whole.capsules, alone.capsules);
            assert_eq!(alone.late_feed.weights, SourcePlan::SILENCE.late_feed.weights);
            assert_eq!(alone.early_feed.weights, SourcePlan::SILENCE.early_feed.weights);
        }
    }

    /// What is kept from plan to plan changes nothing.
    #[test]
    fn a_plan_is_a_function_of_its_settings() {
        let (mut chance, design) = (Chance(4), SplitDesign::new(RATE_HZ));
        let mut used = Planner::new(&design, 2, InstructionSet::widest());
        let (mut plan, mut fresh) = (SourcePlan::SILENCE, SourcePlan::SILENCE);
        for _ in 0..20 {
            let settings = chance.settings();
            for source in 0..3 {
                used.plan(&settings, source, None, &mut plan);
                Planner::new(&design, 2, InstructionSet::widest()).plan(&settings, source, None, &mut fresh);
                assert_eq!(plan, fresh);
            }
        }
    }
}
