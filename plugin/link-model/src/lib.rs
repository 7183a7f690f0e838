//! The shared platforms of the plug-in under a model checker: every order in which threads can meet.
//!
//! The two files of `plugin/src/platform_link` that threads share are compiled
//! here once more, on atomics of `loom` in place of the standard ones, with one
//! value to a platform in place of fourteen. Each test is run in every order of
//! its threads' steps, and with every value that a relaxed load may return; one that
//! would take hours, in every order in which threads interrupt each other up to
//! three times (`LOOM_MAX_PREEMPTIONS=4` tries more).
#![cfg(test)]
#![allow(clippy::trivially_copy_pass_by_ref, reason = "a platform has one value here and fourteen there")]

pub mod platform_link;

use loom::sync::atomic::{AtomicU64, Ordering};
use loom::thread;
use platform_link::{Link, Membership, Registry};

const ONE: Link = Link::Platform(0);
/// A block, s: longer than whatever waits in the protocol for less than a hand's edit does.
const BLOCK_S: f64 = 0.085;

/// Platforms that live as long as a run of the model; the runs are few thousand and small.
fn registry() -> &'static Registry {
    Box::leak(Box::new(Registry::new()))
}

fn block(member: &Membership, own: f64) {
    member.follow(|| (ONE, [own]), BLOCK_S);
}

/// One that a hand links; it opens the session `candidate` where there is none. The gate may be shut at the first look.
fn joined(registry: &'static Registry, own: f64, candidate: u64) -> Membership {
    let member = Membership::on(registry, &[own], candidate);
    block(&member, own);
    member
}

/// One that is loaded from a state of a session.
fn loaded(registry: &'static Registry, own: f64, session: u64) -> Membership {
    let member = Membership::on(registry, &[own], 99);
    registry.begin_load();
    member.session().store(session, Ordering::Release);
    member.load();
    block(&member, own);
    member
}

/// A parameter as the framework keeps it, shared by all threads: how to set and to read it.
fn parameter(value: f64) -> (impl Fn(f64) + Copy, impl Fn() -> f64 + Copy) {
    let parameter: &'static AtomicU64 = Box::leak(Box::new(AtomicU64::new(value.to_bits())));
    let set = move |value: f64| parameter.store(value.to_bits(), Ordering::Relaxed);
    (set, move || f64::from_bits(parameter.load(Ordering::Relaxed)))
}

fn stands_on(member: &Membership, own: f64) -> f64 {
    member.look(ONE, &[own])[0]
}

#[test]
fn two_that_join_at_once_agree() {
    loom::model(|| {
        let registry = registry();
        let other = thread::spawn(move || joined(registry, 2.0, 2));
        let first = joined(registry, 1.0, 1);
        let second = other.join().expect("it joins");
        // Who found the gate shut comes now.
        block(&first, 1.0);
        block(&second, 2.0);
        assert_eq!(registry.members(0), 2);
        let both = (stands_on(&first, 1.0), stands_on(&second, 2.0));
        assert!(both == (1.0, 1.0) || both == (2.0, 2.0), "{both:?}");
        assert_eq!(first.session().load(Ordering::Acquire), second.session().load(Ordering::Acquire));
    });
}

#[test]
fn one_joins_while_the_last_leaves() {
    loom::model(|| {
        let registry = registry();
        let first = joined(registry, 1.0, 1);
        let other = thread::spawn(move || joined(registry, 2.0, 2));
        drop(first);
        let second = other.join().expect("it joins");
        block(&second, 2.0);
        assert_eq!(registry.members(0), 1);
        // It took over what was there, or found the platform empty and brought its own.
        let stands_on_it = stands_on(&second, 2.0);
        assert!(stands_on_it == 1.0 || stands_on_it == 2.0, "{stands_on_it}");
        block(&second, 2.0);
        assert_eq!(stands_on(&second, 2.0), stands_on_it);
        drop(second);
        assert_eq!(registry.members(0), 0);
        assert_eq!(stands_on(&joined(registry, 3.0, 3), 3.0), 3.0, "an emptied platform brings nothing");
    });
}

#[test]
fn two_edits_at_once_end_in_one_of_them_for_both() {
    loom::model(|| {
        let registry = registry();
        let (first, second) = (joined(registry, 1.0, 1), joined(registry, 1.0, 2));
        let other = thread::spawn(move || {
            second.edit(ONE, 0, 3.0);
            second
        });
        // From the host; where the gate is shut, told in the second block.
        block(&first, 2.0);
        let second = other.join().expect("it edits");
        block(&first, 2.0);
        block(&second, 3.0);
        block(&first, 2.0);
        let both = (stands_on(&first, 2.0), stands_on(&second, 3.0));
        assert!(both == (2.0, 2.0) || both == (3.0, 3.0), "{both:?}");
    });
}

/// The audio thread follows for some blocks while the editor edits and looks, and the host hands the edit on in between.
fn edit_beside(blocks: usize) {
    let registry = registry();
    let first = joined(registry, 1.0, 1);
    let member: &'static Membership = Box::leak(Box::new(joined(registry, 1.0, 2)));
    let (set, read) = parameter(1.0);
    let editor = thread::spawn(move || {
        member.edit(ONE, 0, 2.0);
        set(2.0);
        member.look(ONE, &[read()])[0]
    });
    for _ in 0..blocks {
        member.follow(|| (ONE, [read()]), BLOCK_S);
    }
    assert_eq!(editor.join().expect("it edits"), 2.0);
    // Somebody else's edit is later and wins, whatever the first instance still thinks of its own.
    first.edit(ONE, 0, 5.0);
    for _ in 0..2 {
        member.follow(|| (ONE, [read()]), BLOCK_S);
    }
    assert_eq!(stands_on(member, 2.0), 5.0);
}

#[test]
fn an_edit_in_the_editor_while_the_audio_thread_follows_is_told_once() {
    loom::model(|| edit_beside(1));
    let mut builder = loom::model::Builder::new();
    builder.preemption_bound = builder.preemption_bound.or(Some(3));
    builder.check(|| edit_beside(2));
}

/// A state is loaded beside the audio thread, in blocks of any length: no edit of the platform comes of it, and the
/// instance keeps what it was loaded with.
#[test]
fn a_state_that_is_loaded_beside_the_audio_thread_is_no_edit() {
    loom::model(|| {
        let registry = registry();
        let first = joined(registry, 1.0, 1);
        let member: &'static Membership = Box::leak(Box::new(joined(registry, 1.0, 2)));
        let (set, read) = parameter(1.0);
        let host = thread::spawn(move || {
            registry.begin_load();
            set(4.0);
            member.load();
        });
        for _ in 0..2 {
            member.follow(|| (ONE, [read()]), BLOCK_S);
        }
        host.join().expect("it loads");
        for _ in 0..2 {
            member.follow(|| (ONE, [read()]), BLOCK_S);
        }
        assert_eq!((stands_on(&first, 1.0), member.look(ONE, &[read()])[0]), (1.0, 4.0));
    });
}

/// Two sessions are opened by two threads, one twice: no value crosses, and who is of one session stands on one platform.
#[test]
fn sessions_that_are_opened_at_once_stay_apart() {
    loom::model(|| {
        let registry = registry();
        let other = thread::spawn(move || [loaded(registry, 2.0, 8)]);
        let first = loaded(registry, 1.0, 7);
        let copy = loaded(registry, 1.0, 7);
        let [second] = other.join().expect("it is loaded");
        for (member, own) in [(&first, 1.0), (&copy, 1.0), (&second, 2.0)] {
            block(member, own);
        }
        assert_eq!(registry.members(0), 3);
        second.edit(ONE, 0, 3.0);
        first.edit(ONE, 0, 4.0);
        let all = [stands_on(&first, 1.0), stands_on(&copy, 1.0), stands_on(&second, 2.0)];
        assert_eq!(all, [4.0, 4.0, 3.0]);
    });
}

/// One that was loaded with another value stands apart while another edits, and while the one that brought the platform goes.
#[test]
fn one_apart_follows_an_edit_and_inherits_what_is_left() {
    loom::model(|| {
        let registry = registry();
        let first = loaded(registry, 1.0, 7);
        let apart = loaded(registry, 2.0, 7);
        assert!(first.standing().differences[0].is_some());
        let other = thread::spawn(move || {
            first.edit(ONE, 0, 3.0);
            first
        });
        block(&apart, 2.0);
        let first = other.join().expect("it edits");
        block(&apart, 2.0);
        assert_eq!((stands_on(&first, 1.0), stands_on(&apart, 2.0)), (3.0, 3.0));
        assert!(apart.standing().differences[0].is_none());
    });
    loom::model(|| {
        let registry = registry();
        let first = loaded(registry, 1.0, 7);
        let apart = loaded(registry, 2.0, 7);
        let other = thread::spawn(move || drop(first));
        block(&apart, 2.0);
        other.join().expect("it leaves");
        block(&apart, 2.0);
        assert_eq!(stands_on(&apart, 2.0), 2.0);
        assert!(apart.standing().differences[0].is_none());
        assert_eq!(stands_on(&joined(registry, 5.0, 5), 5.0), 2.0, "what is left is the platform's");
    });
}
