//! The player neither allocates nor frees while seats jump, loops change and hands strike; a control shows that it would be noticed.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use rostra_dsp::extremes::larger;
use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use rostra::chain::Wanted;
use rostra_files::FileStore;
use rostra_live::moves::{Move, Moves};
use rostra_live::player::{Command, Lead, Part, Player, Start};
use rostra_live::scene::{Change, Scene};
use rostra_live::sound_loop::SoundLoop;
use rostra_live::strike::Strike;

/// The system's allocator, counting the calls of each thread.
struct Counting;

thread_local! {
    static CALLS: Cell<usize> = const { Cell::new(0) };
}

fn count() {
    // A thread that is ending has no counter any more; nobody looks then.
    let _ = CALLS.try_with(|calls| calls.set(calls.get() + 1));
}

// SAFETY: every call is handed on to the system's allocator unchanged.
#[allow(unsafe_code, reason = "a global allocator cannot be written otherwise")]
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, memory: Layout) -> *mut u8 {
        count();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.alloc(memory) }
    }
    unsafe fn dealloc(&self, pointer: *mut u8, memory: Layout) {
        count();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.dealloc(pointer, memory) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn calls_during(work: impl FnOnce()) -> usize {
    let before = CALLS.with(Cell::get);
    work();
    CALLS.with(Cell::get) - before
}

/// The control: the counter notices a vector that comes and goes.
#[test]
fn the_counter_notices_an_allocation_and_a_free() {
    assert_eq!(calls_during(|| drop(std::hint::black_box(vec![1_u8; 16]))), 2);
}

fn scene(seat: &str, platform: &str, hall: &str) -> Scene {
    let mut scene = Scene::default();
    let change = Change {
        seat: Some(seat.into()),
        platform: Some(platform.into()),
        hall: Some(hall.into()),
        ..Change::default()
    };
    change.make(&mut scene, &FileStore::at("no folder of files")).unwrap();
    scene
}

fn part(channels: usize) -> Box<Part> {
    let wave = |side: usize| (0..9000).map(|n| ((n * (7 + side)) % 13) as f32 / 26.0 - 0.25).collect();
    let sound = SoundLoop { rate_hz: 48_000, channels: (0..channels).map(wave).collect() };
    Part::of_loop(sound, false, &Wanted::default(), Arc::default()).unwrap()
}

/// Counts the calls of the blocks until all is faded out.
fn calls_until_closed(player: &mut Player, lead: &Lead) -> usize {
    let (mut left, mut right) = ([0.0_f32; 64], [0.0_f32; 64]);
    let mut calls = 0;
    for _ in 0..100 {
        calls += calls_during(|| player.process(&mut left, &mut right));
    }
    assert!(lead.told.is_closed.load(Ordering::Acquire), "it is closed");
    calls
}

#[test]
fn a_microphone_neither_allocates_nor_frees_shut_or_open() {
    let (mut heard_in, heard) = rtrb::RingBuffer::new(4800);
    let placement = scene("horns", "large-plaster", "long-cue").placement();
    let wanted = Wanted { settings: placement.settings, ..Wanted::default() };
    let part = Part::of_input(heard, 48_000, &wanted, Arc::default()).unwrap();
    let start =
        Start { part, rate_hz: 48_000, wanted, placement, moves: None, is_offline: false, level: 0.5 };
    let (mut player, mut lead) = Player::new(start).unwrap();
    let (mut left, mut right) = ([0.0_f32; 64], [0.0_f32; 64]);
    let (mut calls, mut loudest, mut n) = (0, 0.0_f32, 0_u32);
    for block in 0..600 {
        match block {
            100 | 400 => assert!(lead.tell(Command::Play(true))),
            300 => assert!(lead.tell(Command::Play(false))),
            _ => {}
        }
        // Full at first, then late now and then, so that it is let go of, heard and missed.
        let frames = if block == 0 { 4800 } else { 64 * u32::from(block % 7 != 3) };
        for _ in 0..frames {
            n += 1;
            // What finds no room is lost, as with a microphone.
            let _ = heard_in.push((n % 13) as f32 / 26.0 - 0.25);
        }
        calls += calls_during(|| player.process(&mut left, &mut right));
        loudest = left.iter().chain(&right).fold(loudest, |most, x| larger(most, x.abs()));
        lead.free();
    }
    assert!(lead.tell(Command::Close));
    calls += calls_until_closed(&mut player, &lead);
    assert!(loudest > 0.01, "the sound is not silence: {loudest}");
    assert_eq!(calls, 0, "allocations and frees");
}

#[test]
fn the_player_neither_allocates_nor_frees() {
    const BLOCK_FRAMES: usize = 64;
    const BLOCKS: usize = 3000;
    let scenes = [
        scene("horns", "large-plaster", "long-cue"),
        scene("violins-1", "medium-timber", "none"),
        scene("flute", "medium-timber", "short-cue"),
    ];
    let at = |n: usize, at_s: f64| Move { at_s, scene: scenes[n].clone() };
    let moves = Moves { moves: vec![at(0, 0.1), at(1, 0.15), at(2, 0.7)], repeat_s: Some(1.0) };
    let placement = scenes[0].placement();
    let wanted = Wanted { settings: placement.settings, ..Wanted::default() };
    let start = Start {
        part: part(1),
        rate_hz: 48_000,
        wanted,
        placement,
        moves: Some(&moves),
        is_offline: false,
        level: 0.5,
    };
    let (mut player, mut lead) = Player::new(start).unwrap();
    let (mut left, mut right) = ([0.0_f32; BLOCK_FRAMES], [0.0_f32; BLOCK_FRAMES]);
    let (mut calls, mut loudest) = (0, 0.0_f32);
    assert!(lead.tell(Command::Play(true)));
    for block in 0..BLOCKS {
        let command = match block % 300 {
            20 => Some(Command::Load(part(1 + block / 300 % 2))),
            60 => Some(Command::Strike(Strike::ALL[block / 300 % 2])),
            100 => Some(Command::Compare(true)),
            150 => Some(Command::Bypass(true)),
            170 => Some(Command::Bypass(false)),
            200 => Some(Command::Compare(false)),
            220 => Some(Command::Place(scenes[block / 300 % 3].placement())),
            240 => Some(Command::Level((block / 300) as f32 / 10.0)),
            260 => Some(Command::Play(false)),
            280 => Some(Command::Play(true)),
            _ => None,
        };
        if let Some(command) = command {
            assert!(lead.tell(command));
        }
        calls += calls_during(|| player.process(&mut left, &mut right));
        loudest = left.iter().chain(&right).fold(loudest, |most, x| larger(most, x.abs()));
        lead.free();
        // Long enough that tails come back while blocks run.
        std::thread::sleep(Duration::from_micros(300));
    }
    assert!(lead.tell(Command::Close));
    calls += calls_until_closed(&mut player, &lead);
    assert!(loudest > 0.01, "the sound is not silence: {loudest}");
    assert!(lead.told.moves.load(Ordering::Relaxed) >= 9, "the script was played");
    assert_eq!(calls, 0, "allocations and frees");
}
