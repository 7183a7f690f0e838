//! The shared platforms of the plug-in under a model checker: every order in which threads can meet.
//!
//! The two files of `plugin/src/platform_link` that threads share are compiled
//! here once more, on atomics of `loom` in place of the standard ones, with one
//! value to a platform in place of fourteen. Each test is run in every order of
//! its threads' steps, and with every value that a relaxed load may return.
#![cfg(test)]
#![allow(clippy::trivially_copy_pass_by_ref, reason = "a platform has one value here and fourteen there")]

pub mod platform_link;

use loom::thread;
use platform_link::{Link, Membership, Registry};

const ONE: Link = Link::Platform(0);
/// A block, s: an edit by a host is told in the second.
const BLOCK_S: f64 = 0.012;

/// Platforms that live as long as a run of the model; the runs are few thousand and small.
fn registry() -> &'static Registry {
    Box::leak(Box::new(Registry::new()))
}

fn block(member: &Membership, link: Link, own: f64) {
    member.follow(link, || [own], BLOCK_S);
}

fn joined(registry: &'static Registry, own: f64) -> Membership {
    let member = Membership::on(registry, &[own]);
    block(&member, ONE, own);
    member
}

fn stands_on(member: &Membership, own: f64) -> f64 {
    member.look(ONE, &[own])[0]
}

#[test]
fn two_that_join_at_once_agree() {
    loom::model(|| {
        let registry = registry();
        let other = thread::spawn(move || joined(registry, 2.0));
        let first = joined(registry, 1.0);
        let second = other.join().expect("it joins");
        assert_eq!(registry.members(0), 2);
        let both = (stands_on(&first, 1.0), stands_on(&second, 2.0));
        assert!(both == (1.0, 1.0) || both == (2.0, 2.0), "{both:?}");
    });
}

#[test]
fn one_joins_while_the_last_leaves() {
    loom::model(|| {
        let registry = registry();
        let first = joined(registry, 1.0);
        let other = thread::spawn(move || joined(registry, 2.0));
        drop(first);
        let second = other.join().expect("it joins");
        assert_eq!(registry.members(0), 1);
        // It took over what was there, or found the platform empty and brought its own.
        let stands_on_it = stands_on(&second, 2.0);
        assert!(stands_on_it == 1.0 || stands_on_it == 2.0, "{stands_on_it}");
        block(&second, ONE, 2.0);
        assert_eq!(stands_on(&second, 2.0), stands_on_it);
        drop(second);
        assert_eq!(registry.members(0), 0);
        assert_eq!(stands_on(&joined(registry, 3.0), 3.0), 3.0, "an emptied platform brings nothing");
    });
}

#[test]
fn two_edits_at_once_end_in_one_of_them_for_both() {
    loom::model(|| {
        let registry = registry();
        let (first, second) = (joined(registry, 1.0), joined(registry, 1.0));
        let other = thread::spawn(move || {
            second.edit(ONE, 0, 3.0);
            second
        });
        // From the host, told in the second block.
        block(&first, ONE, 2.0);
        block(&first, ONE, 2.0);
        let second = other.join().expect("it edits");
        block(&first, ONE, 2.0);
        block(&second, ONE, 3.0);
        let both = (stands_on(&first, 2.0), stands_on(&second, 3.0));
        assert!(both == (2.0, 2.0) || both == (3.0, 3.0), "{both:?}");
    });
}

/// The audio thread follows while the editor edits and looks; the host has handed the edit on.
#[test]
fn an_edit_in_the_editor_while_the_audio_thread_follows_is_told_once() {
    loom::model(|| {
        let registry = registry();
        let first = joined(registry, 1.0);
        let member: &'static Membership = Box::leak(Box::new(joined(registry, 1.0)));
        let editor = thread::spawn(move || {
            member.edit(ONE, 0, 2.0);
            member.look(ONE, &[2.0])[0]
        });
        block(member, ONE, 1.0);
        block(member, ONE, 2.0);
        assert_eq!(editor.join().expect("it edits"), 2.0);
        // Somebody else's edit is later and wins, whatever the first instance still thinks of its own.
        first.edit(ONE, 0, 5.0);
        block(member, ONE, 2.0);
        block(member, ONE, 2.0);
        assert_eq!(stands_on(member, 2.0), 5.0);
    });
}

/// A state is loaded beside the audio thread, and a third thread saves: no edit of the platform comes of it.
#[test]
fn a_state_that_is_loaded_beside_the_audio_thread_is_no_edit() {
    loom::model(|| {
        let registry = registry();
        let first = joined(registry, 1.0);
        let member: &'static Membership = Box::leak(Box::new(joined(registry, 1.0)));
        let parameter: &'static loom::sync::atomic::AtomicU64 =
            Box::leak(Box::new(loom::sync::atomic::AtomicU64::new(1.0_f64.to_bits())));
        let read = move || f64::from_bits(parameter.load(loom::sync::atomic::Ordering::Relaxed));
        let host = thread::spawn(move || {
            parameter.store(4.0_f64.to_bits(), loom::sync::atomic::Ordering::Relaxed);
            member.load();
        });
        member.follow(ONE, || [read()], BLOCK_S);
        host.join().expect("it loads");
        for _ in 0..2 {
            member.follow(ONE, || [read()], BLOCK_S);
        }
        assert_eq!((stands_on(&first, 1.0), member.look(ONE, &[read()])[0]), (1.0, 1.0));
    });
}
