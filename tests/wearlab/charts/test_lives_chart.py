"""The figure of lives: what it says where it cannot be seen, and that nothing it is given breaks it."""

from __future__ import annotations

from xml.etree import ElementTree

from wearlab.charts.lives import Law, LifePanel, LivesFigure, Steps, describe, lives_chart

CURVE = Steps("vans", 20_000.0, 240_000.0, (90_000.0, 150_000.0), (0.9, 0.75), (0.8, None), (0.95, None))
LAW = Law("wear: vans", tuple((k * 10_000.0, 1.0 - k / 40) for k in range(41)), 250_000.0, "vans")


def figure(*panels: LifePanel) -> LivesFigure:
    return LivesFigure("Lives of <parts>", ("a line & another",), panels)


def test_the_text_says_where_curves_end() -> None:
    told = describe(figure(LifePanel("injectors", (CURVE,), (LAW,)), LifePanel("pumps", (), (), ("no curve: 1 of 9",))))
    assert "injectors: vans, 75 % still fitted at 240,000 km; wear: vans, half by about 200,000 km." in told
    assert told.endswith("pumps: nothing to draw. no curve: 1 of 9.")


def test_the_figure_is_well_formed_the_same_each_time_and_names_what_it_draws() -> None:
    drawn = figure(LifePanel("injectors", (CURVE,), (LAW,)), LifePanel("pumps", (), (), ("no curve: 1 of 9",)))
    chart = lives_chart(drawn)
    assert chart.svg == lives_chart(drawn).svg
    words = [one.text for one in ElementTree.fromstring(chart.svg).iter() if one.text]
    for text in ("Lives of <parts>", "vans", "wear: vans", "no curve: 1 of 9", "distance since new, 1,000 km"):
        assert text in words


def test_ends_of_what_can_be_drawn() -> None:
    empty = Steps("none left", 0.0, 50_000.0, (), (), (), ())
    many = tuple(Steps(f"group {k}", 0.0, 1e5 + k, (5e4,), (0.5,), (0.2,), (0.8,)) for k in range(12))
    never = Law("never", ((0.0, 1.0), (9e5, 1.0)))
    for panel in (LifePanel("a", (empty,), ()), LifePanel("b", many, (never,)), LifePanel("c", (), ())):
        ElementTree.fromstring(lives_chart(figure(panel)).svg)
    assert "half beyond all that is drawn" in describe(figure(LifePanel("b", (), (never,))))
