"""Candidates as columns: centred within the family, counted by what was driven under them, left out with a reason."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.study.candidates import Candidate, CodedCandidate, Frame, LeftOut, code_candidates, gathered

#: 24 vehicles of two families, two parts each, one reading a part
VEHICLE = np.repeat(np.arange(24), 2)
FRAME = Frame(vehicle=VEHICLE, life=np.arange(48), family=(VEHICLE % 2).astype(np.int64))


def words(each: list[str]) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    return np.array(each, dtype=object)[VEHICLE]


def only(candidate: Candidate, frame: Frame = FRAME) -> CodedCandidate | LeftOut:
    made, left = code_candidates([candidate], frame)
    return (*made, *left)[0]


def test_what_is_gathered_follows_the_value_on_every_stretch() -> None:
    # one life: 10 under the first value, then 5 under the second; a second life begins afresh; rows in any order
    columns = np.array([[2.0], [-1.0], [3.0]])
    exposure, life, turn = np.array([15.0, 4.0, 10.0]), np.array([0, 1, 0]), np.array([2, 1, 1])
    np.testing.assert_allclose(gathered(columns, exposure, life, turn)[:, 0], [3 * 10 + 2 * 5, -4.0, 30.0])


def test_words_are_told_against_the_average_and_centred_within_families() -> None:
    found = only(Candidate("duty", words((["hills", "plain"] * 3 + ["plain"] * 6) * 2)))
    assert isinstance(found, CodedCandidate)
    assert found.labels == ("hills", "plain")
    assert found.vehicles == (6, 18)
    for family in (0, 1):
        assert abs(found.columns[FRAME.family == family].mean()) < 1e-12
    # hills on one vehicle in four: what hills adds counts 3/4 against the average of all, and plain -1/4
    share = 0.25
    effect = (found.contrasts @ [-1.0]).tolist()  # the coefficient of "hills" where plain is the base
    assert sorted(np.abs(effect)) == pytest.approx([share, 1 - share])


def test_a_number_is_told_for_one_standard_deviation_and_wild_ones_are_pulled_in() -> None:
    rng = np.random.default_rng(1)
    each = rng.normal(30.0, 4.0, 24)
    each[3] = 3000.0
    found = only(Candidate("fuel", each[VEHICLE], "l/100 km"))
    assert isinstance(found, CodedCandidate)
    assert found.step == pytest.approx(float(np.std(np.delete(each, 3))), rel=0.35)
    assert np.abs(found.columns).max() < 5
    assert found.labels[0].endswith("l/100 km more")


def test_what_says_nothing_of_its_own_is_left_out_with_a_reason() -> None:
    family = words([str(k % 2) for k in range(24)])
    half = words(["a"] * 12 + ["b"] * 12)
    made, left = code_candidates(
        [
            Candidate("family again", family),
            Candidate("depot", half),
            Candidate("workshop", words(["w1"] * 12 + ["w2"] * 12)),
            Candidate("nobody knows", words([""] * 24)),
            Candidate("some know", words(["a"] * 5 + ["b"] * 5 + [""] * 14)),
            Candidate("all alike", np.full(48, 7.0)),
            Candidate("rare", words(["a"] * 4 + ["b"] * 20)),
            Candidate("log of some fills", np.full(48, np.nan), "l", "the log holds some fills only"),
        ],
        FRAME,
    )
    assert [one.name for one in made] == ["depot"]
    reasons = {one.name: one.reason for one in left}
    assert "within a family" in reasons["family again"]
    assert "cannot be told from depot" in reasons["workshop"]
    assert "nothing is recorded" in reasons["nobody knows"]
    assert "42 % of the vehicles" in reasons["some know"]
    assert "nearly the same" in reasons["all alike"]
    assert "fewer than two values" in reasons["rare"]
    assert reasons["log of some fills"] == "the log holds some fills only"


def test_what_is_not_known_counts_as_the_average() -> None:
    found = only(Candidate("duty", words(["a"] * 9 + ["b"] * 9 + [""] * 6)))
    assert isinstance(found, CodedCandidate)
    assert found.known == 0.75
    assert (found.columns[VEHICLE >= 18] == 0).all()
    assert (found.columns[VEHICLE < 18] != 0).all()


def test_rare_words_are_told_together() -> None:
    found = only(Candidate("duty", words(["a"] * 10 + ["b"] * 8 + ["c"] * 3 + ["d"] * 3)))
    assert isinstance(found, CodedCandidate)
    assert found.labels == ("a", "b", "other")


def test_wrong_lengths_and_names_are_refused() -> None:
    with pytest.raises(InputError, match="one value a reading"):
        code_candidates([Candidate("duty", np.zeros(3))], FRAME)
    with pytest.raises(InputError, match="one name"):
        code_candidates([Candidate("duty", np.zeros(48)), Candidate("duty", np.zeros(48))], FRAME)
