//! Each part broken on purpose is found by a seed: the simulation can fail.

// The helper beside the tests fails like a test.
#![allow(clippy::panic)]

use simulation::{Breakage, Watch, play};

/// Seeds tried until one finds it.
const SEEDS: u64 = 1500;

/// A seed notices, and says which invariant it was.
fn is_noticed(breakage: Breakage, words: &[&str]) {
    for seed in 0..SEEDS {
        if let Err(failure) = play(seed, breakage, Watch::Often) {
            assert!(
                words.iter().any(|begin| failure.words.contains(begin)),
                "{breakage:?} was noticed by seed {seed}, but as: {}",
                failure.words
            );
            return;
        }
    }
    panic!("{breakage:?} goes unnoticed in {SEEDS} seeds");
}

#[test]
fn the_simulation_notices_when_an_outbox_sends_what_is_not_safe_yet() {
    is_noticed(
        Breakage::SendsBeforeSync,
        &["numbers without gaps", "no lost fact"],
    );
}

#[test]
fn the_simulation_notices_when_an_outbox_forgets_what_nobody_acknowledged() {
    is_noticed(
        Breakage::ForgetsOneUnanswered,
        &["no lost fact", "numbers without gaps"],
    );
}

#[test]
fn the_simulation_notices_when_an_outbox_keeps_nothing_that_a_broker_may_lose() {
    is_noticed(
        Breakage::KeepsNothingSent,
        &["no lost fact", "numbers without gaps"],
    );
}

#[test]
fn the_simulation_notices_when_what_is_to_be_sent_again_is_not_synced() {
    is_noticed(Breakage::SendsAgainUnsynced, &["no lost fact"]);
}

#[test]
fn the_simulation_notices_when_an_outbox_opens_without_syncing_what_it_finds() {
    is_noticed(
        Breakage::OpensUnsynced,
        &[
            "no lost fact",
            "numbers without gaps",
            "every follower hears all",
        ],
    );
}

#[test]
fn the_simulation_notices_when_a_follower_goes_on_by_number_after_a_loss() {
    is_noticed(
        Breakage::GoesOnByNumber,
        &["every follower hears all", "a hold is absolute"],
    );
}

#[test]
fn the_simulation_notices_when_one_refused_fact_holds_up_all_others() {
    is_noticed(Breakage::OneRefusedStopsAll, &["it does not come to rest"]);
}

#[test]
fn the_simulation_notices_when_a_station_ignores_a_hold() {
    is_noticed(
        Breakage::IgnoresHolds,
        &["a hold is absolute", "every follower hears all"],
    );
}

#[test]
fn the_simulation_notices_when_a_station_does_not_ask_for_holds() {
    is_noticed(Breakage::AsksNobodyForHolds, &["a hold is absolute"]);
}

#[test]
fn the_simulation_notices_when_a_fold_skips_a_position() {
    is_noticed(
        Breakage::SkipsAPosition,
        &["restart = rebuild", "exactly once"],
    );
}

#[test]
fn the_simulation_notices_when_a_position_is_written_before_its_state() {
    is_noticed(
        Breakage::WritesPositionFirst,
        &["restart = rebuild", "exactly once"],
    );
}

#[test]
fn the_simulation_notices_when_what_people_were_told_is_not_stored() {
    is_noticed(
        Breakage::ForgetsWhatItTold,
        &["nobody is told twice", "nobody was told"],
    );
}

#[test]
fn the_simulation_notices_when_effects_go_out_before_their_state_is_stored() {
    is_noticed(
        Breakage::PublishesBeforeWriting,
        &["nobody is told twice", "nobody was told"],
    );
}

#[test]
fn the_simulation_notices_when_a_gateway_keeps_no_receipts() {
    is_noticed(Breakage::KeepsNoReceipts, &["exactly once"]);
}

#[test]
fn the_simulation_notices_when_a_browser_sends_again_what_was_refused() {
    is_noticed(
        Breakage::SendsRefusedAgain,
        &["what was refused stays refused", "it does not come to rest"],
    );
}

#[test]
fn the_simulation_notices_when_every_claim_is_believed() {
    is_noticed(Breakage::BelievesEveryClaim, &["a claim is a claim"]);
}
