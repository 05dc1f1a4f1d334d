"""Parts followed through the work of a workshop."""

from __future__ import annotations

from datetime import date

import numpy as np

from wearlab.lives.fitments import VehicleStart, follow
from wearlab.lives.history import TestPoint
from workshop_history import DAY, a_test, day, fits, some_work


def test_first_test_opens_a_provisional_part() -> None:
    lives = follow([a_test(0), a_test(6), a_test(6, "2")])
    first, second, other = fits(lives)
    assert first is second
    assert first.part == f"V1/1/{DAY.isoformat()}"
    assert (first.start, first.serial, first.to_date, first.life) == ("first test", None, None, 1)
    assert other.part != first.part


def test_original_parts_begin_when_the_vehicle_went_into_service() -> None:
    starts = {"V1": VehicleStart(date(2020, 5, 1), True, 4), "V2": VehicleStart(date(2020, 5, 1), False, 4)}
    lives = follow([a_test(0), a_test(0, "pump"), a_test(0, vehicle="V2")], [], starts)
    original, pump, unknown = fits(lives)
    assert (original.start, original.from_date, original.part) == ("new", date(2020, 5, 1), "V1/1/2020-05-01")
    assert (pump.start, pump.position) == ("new", "pump")
    assert (unknown.start, unknown.from_date) == ("first test", DAY)


def test_replacement_ends_a_part_and_begins_another() -> None:
    tests = [a_test(0), a_test(6), a_test(12)]
    lives = follow(tests, [some_work(8, "replacement", "1", out="A1", into="B1", origin="new", number="PN7")])
    before, same, after = fits(lives)
    assert before is same
    # the serial written when it came out names the whole of its history
    assert (before.part, before.to_date) == ("A1", day(8))
    assert (after.part, after.from_date, after.start, after.part_number) == ("B1", day(8), "new", "PN7")
    assert len(lives.fitments) == 2


def test_replacement_without_origin_is_not_taken_as_new() -> None:
    lives = follow([a_test(0), a_test(12)], [some_work(8, "replacement", "1")])
    assert fits(lives)[1].start == "first test"
    assert fits(lives)[1].from_date == day(8)


def test_swap_carries_both_parts_with_their_life() -> None:
    tests = [a_test(0, "1"), a_test(0, "3"), a_test(12, "1"), a_test(12, "3"), a_test(12, "2")]
    lives = follow(tests, [some_work(5, "swap", "1", to="3")])
    one, three, one_later, three_later, two = fits(lives)
    assert one_later.part == three.part
    assert three_later.part == one.part
    assert two.part not in (one.part, three.part)
    assert {one_later.life, three_later.life} == {1}
    assert (three_later.position, three_later.from_date, one.to_date) == ("3", day(5), day(5))


def test_swap_back_brings_the_parts_home() -> None:
    tests = [a_test(m, p, row=m * 10 + int(p)) for m in (0, 6, 12) for p in ("1", "2")]
    lives = follow(tests, [some_work(3, "swap", "1", to="2"), some_work(9, "swap", "2", to="1")])
    parts = [f.part for f in fits(lives)]
    assert parts[0] == parts[3] == parts[4]
    assert parts[1] == parts[2] == parts[5]


def test_rebuild_opens_a_new_life_of_the_same_serial() -> None:
    tests = [a_test(0, serial="A1"), a_test(12)]
    lives = follow(tests, [some_work(8, "rebuild", "1", into="A1", origin="rebuilt")])
    before, after = fits(lives)
    assert (before.part, before.life, before.start) == ("A1", 1, "first test")
    assert (after.part, after.life, after.start) == ("A1", 2, "rebuilt")


def test_rebuild_without_serial_keeps_the_provisional_part() -> None:
    lives = follow([a_test(0), a_test(12)], [some_work(8, "rebuild", "1")])
    before, after = fits(lives)
    assert before.part == after.part
    assert (before.life, after.life) == (1, 2)


def test_cleaning_steps_the_level_and_keeps_the_life() -> None:
    lives = follow([a_test(0), a_test(12)], [some_work(8, "cleaning", "1")])
    before, after = fits(lives)
    assert before is after
    (step,) = lives.steps
    assert (step.part, step.life, step.day, step.kind) == (before.part, 1, day(8), "cleaning")


def test_cleaning_the_set_steps_every_injector_but_not_the_pump() -> None:
    tests = [a_test(0, position) for position in ("1", "2", "pump", "set")]
    lives = follow(tests, [some_work(8, "cleaning", "set")])
    assert sorted(step.position for step in lives.steps) == ["1", "2", "set"]


def test_engine_swap_ends_everything_and_asks_once() -> None:
    starts = {"V1": VehicleStart(date(2020, 5, 1), True, 2)}
    tests = [a_test(0, serial="A1"), a_test(0, "pump"), a_test(12), a_test(12, "2"), a_test(14, "pump")]
    lives = follow(tests, [some_work(8, "engine_swap")], starts)
    one, pump, one_later, two_later, pump_later = fits(lives)
    assert one.to_date == pump.to_date == day(8)
    assert {one_later.start, two_later.start, pump_later.start} == {"first test"}
    assert len({one.part, pump.part, one_later.part, two_later.part, pump_later.part}) == 5
    assert [remark.code for remark in lives.remarks] == ["engine swap"]


def test_a_part_known_by_serial_comes_along_with_the_next_engine() -> None:
    tests = [a_test(0, "1", serial="A1"), a_test(12, "1"), a_test(14, "1", serial="A1")]
    lives = follow(tests, [some_work(8, "engine_swap")])
    assert {f.part for f in fits(lives)} == {"A1"}
    assert {f.life for f in fits(lives)} == {1}


def test_moving_to_another_vehicle_by_serial_keeps_the_life() -> None:
    tests = [a_test(0, "2", serial="A1"), a_test(6, "2"), a_test(12, "4", vehicle="V2"), a_test(12, "2")]
    works = [
        some_work(8, "replacement", "2", out="A1", into="B1", origin="new"),
        some_work(9, "replacement", "4", vehicle="V2", into="a-1", origin="used"),
    ]
    lives = follow(tests, works)
    before, same, moved, new = fits(lives)
    assert before is same
    assert (moved.part, moved.vehicle, moved.position, moved.life) == ("A1", "V2", "4", 1)
    assert new.part == "B1"
    assert not lives.remarks


def test_a_move_within_one_day_reads_the_test_where_the_part_still_sat() -> None:
    # V2 comes later in the alphabet but gave the part away; its test that morning still measured it
    tests = [a_test(0, "1", vehicle="V2", serial="A1"), a_test(8, "1", vehicle="V2"), a_test(9, "1")]
    works = [
        some_work(8, "replacement", "1", into="A1", origin="used"),
        some_work(8, "replacement", "1", vehicle="V2", out="A1", into="C1", origin="new"),
    ]
    lives = follow(tests, works)
    assert [f.part for f in fits(lives)] == ["A1", "A1", "A1"]
    assert [f.vehicle for f in fits(lives)] == ["V2", "V2", "V1"]


def test_unrecorded_move_is_found_by_serial_and_remarked() -> None:
    tests = [a_test(0, "2", serial="A1"), a_test(6, "3", vehicle="V2", serial="A1"), a_test(9, "2")]
    lives = follow(tests)
    first, moved, later = fits(lives)
    assert first.part == moved.part == "A1"
    assert first.to_date == day(6)
    assert later.part == f"V1/2/{day(9).isoformat()}"
    assert [remark.code for remark in lives.remarks] == ["unrecorded move"]


def test_another_serial_at_a_position_is_never_one_life_with_the_old() -> None:
    lives = follow([a_test(0, serial="A1"), a_test(6, serial="B2"), a_test(9)])
    old, new, still = fits(lives)
    assert (old.part, new.part) == ("A1", "B2")
    assert new is still
    assert [remark.code for remark in lives.remarks] == ["unrecorded change"]
    assert "B2" in lives.remarks[0].sentence


def test_serial_given_later_keeps_the_history() -> None:
    lives = follow([a_test(0), a_test(6), a_test(12, serial="A1"), a_test(18)])
    assert {f.part for f in fits(lives)} == {"A1"}
    assert len(lives.fitments) == 1


def test_serial_given_after_a_swap_names_both_fitments() -> None:
    tests = [a_test(0, "1"), a_test(0, "2"), a_test(12, "2", serial="A1")]
    lives = follow(tests, [some_work(5, "swap", "1", to="2")])
    assert [f.part for f in fits(lives)] == ["A1", f"V1/2/{DAY.isoformat()}", "A1"]


def test_used_part_named_later_goes_on_with_its_earlier_life() -> None:
    tests = [a_test(0, serial="A1"), a_test(10, vehicle="V2"), a_test(15, vehicle="V2", serial="A1")]
    works = [
        some_work(5, "replacement", "1", out="A1", origin="new"),
        some_work(9, "replacement", "1", vehicle="V2", origin="used"),
    ]
    first, unnamed, named = fits(follow(tests, works))
    assert first.part == unnamed.part == named.part == "A1"
    assert {first.life, unnamed.life, named.life} == {1}
    assert unnamed is named


def test_a_serial_said_to_be_new_again_is_another_life() -> None:
    tests = [a_test(0, "1", serial="A1"), a_test(10, "2")]
    works = [
        some_work(5, "replacement", "1", out="A1"),
        some_work(6, "replacement", "2", into="A1", origin="new"),
    ]
    lives = follow(tests, works)
    first, second = fits(lives)
    assert (first.part, second.part) == ("A1", "A1")
    assert (first.life, second.life, second.start) == (1, 2, "new")
    assert [remark.code for remark in lives.remarks] == ["new part seen before"]


def test_replacing_the_set_covers_every_cylinder_even_those_never_tested() -> None:
    starts = {"V1": VehicleStart(None, False, 4)}
    tests = [a_test(0, "1"), a_test(12, "1"), a_test(12, "4"), a_test(12, "pump")]
    lives = follow(tests, [some_work(8, "replacement", "set", origin="new")], starts)
    _, one, four, pump = fits(lives)
    assert {(f.start, f.from_date) for f in (one, four)} == {("new", day(8))}
    assert pump.start == "first test"


def test_a_total_begins_anew_when_one_injector_is_replaced() -> None:
    tests = [a_test(0, "set"), a_test(12, "set"), a_test(14, "set")]
    works = [
        some_work(8, "replacement", "2", origin="new"),
        some_work(13, "replacement", "pump", origin="new"),
    ]
    before, after, later = fits(follow(tests, works))
    assert (before.life, after.life, later.life) == (1, 2, 2)
    assert after.start == "first test"


def test_unknown_words_do_nothing_and_missing_positions_are_remarked() -> None:
    works = [
        some_work(3, "meter_change"),
        some_work(4, "replacement"),
        some_work(5, "swap", "1"),
    ]
    lives = follow([a_test(0), a_test(12)], works)
    assert len(lives.fitments) == 1
    assert [remark.code for remark in lives.remarks] == ["no position", "no position"]
    assert all(remark.row_no in (4, 5) for remark in lives.remarks)


def test_fitments_have_the_columns_of_the_store() -> None:
    lives = follow([a_test(0)])
    assert list(lives.fitments[0].row()) == [
        "vehicle", "position", "part", "serial", "part_number", "from_date", "from_order", "to_date",
        "to_order", "start", "exposure_before_km",
    ]  # fmt: skip


def test_two_replacements_on_one_day_stay_two_parts() -> None:
    works = [some_work(5, "replacement", "1", row=1), some_work(5, "replacement", "1", row=2)]
    lives = follow([a_test(0), a_test(6)], works)
    assert len({f.part for f in lives.fitments}) == 3


def test_order_of_the_input_does_not_matter() -> None:
    tests = [a_test(m, p, serial="A1" if m == 12 and p == "2" else None, row=10 * m + int(p))
             for m in (0, 6, 12) for p in ("1", "2")]  # fmt: skip
    works = [some_work(3, "swap", "1", to="2"), some_work(8, "replacement", "1", origin="new")]
    reference = follow(tests, works)
    rng = np.random.default_rng(4)
    for _ in range(10):
        order = rng.permutation(len(tests))
        shuffled = follow([tests[k] for k in order], works[:: rng.choice([-1, 1])])
        assert shuffled.fitments == reference.fitments
        assert [shuffled.fitment_of[int(np.flatnonzero(order == k)[0])] for k in range(6)] == list(reference.fitment_of)


def test_many_vehicles_are_followed_in_a_moment() -> None:
    tests = [
        TestPoint(f"V{v}", day(m), None, str(p), None, 1, m, None)
        for v in range(1500)
        for m in range(5)
        for p in range(4)
    ]
    works = [some_work(2, "replacement", "1", vehicle=f"V{v}", origin="new") for v in range(1500)]
    lives = follow(tests, works)
    assert len(lives.fitments) == 1500 * 5
