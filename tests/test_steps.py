"""A step's parameters exist once, and are checked before they are used."""

import pytest

from fencemap.errors import SiteError
from fencemap.steps import Choice, Integer, Real, Switch, Text, find_step, step


@pytest.mark.parametrize(
    ("parameter", "good", "kept"),
    [
        (Real(1.0, "", minimum=0, maximum=2), 2, 2.0),
        (Integer(1, "", minimum=1, maximum=3), 3, 3),
        (Switch(default=True, help=""), False, False),
        (Text("a", ""), "b", "b"),
        (Choice("a", "", options=("a", "b")), "b", "b"),
    ],
)
def test_a_good_value_passes(parameter, good, kept):
    """A value within its bounds is kept, rightly typed."""
    assert parameter.check(good) == kept
    assert type(parameter.check(good)) is type(kept)


@pytest.mark.parametrize(
    ("parameter", "bad"),
    [
        (Real(1.0, "", minimum=0), -0.1),
        (Real(1.0, ""), True),
        (Real(1.0, "", minimum=0, maximum=2), float("nan")),
        (Integer(1, ""), 1.5),
        (Integer(1, ""), False),
        (Switch(default=True, help=""), 1),
        (Text("a", ""), 3),
        (Choice("a", "", options=("a",)), "c"),
    ],
)
def test_a_bad_value_is_told(parameter, bad):
    """Out of bounds, of another type, or not a number: a ValueError with words."""
    with pytest.raises(ValueError, match="must"):
        parameter.check(bad)


@pytest.fixture(autouse=True)
def own_registry(monkeypatch):
    """Steps declared here are gone after the test."""
    import fencemap.steps

    fencemap.steps.all_steps()  # those that first load during a test would be lost with the copy
    monkeypatch.setattr(fencemap.steps, "_REGISTRY", dict(fencemap.steps._REGISTRY))


def test_a_direct_call_has_the_declared_defaults():
    """The function itself can be called without parameters, as in a notebook."""

    @step(makes=("repairs",), width_m=Real(0.5, "", minimum=0))
    def only_here(*, width_m):
        """Nothing."""
        return width_m

    assert only_here() == 0.5


def test_declaration_and_signature_must_agree():
    """A parameter that is declared but not taken is a mistake that shows at import."""
    with pytest.raises(TypeError, match="declared"):

        @step(makes=("repairs",), width_m=Real(0.5, ""))
        def mistaken(*, depth_m):
            """Nothing."""


def test_an_unknown_step_is_named_with_a_close_one():
    """survey_element is not a step; survey_elements is."""
    with pytest.raises(SiteError, match="survey_elements"):
        find_step("survey_element", stage="bring_in")
