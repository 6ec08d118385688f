import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.water.friction import churchill_friction_factor, friction_factor

turbulent = st.floats(4000, 1e8)
roughness = st.floats(0, 0.05)


@given(turbulent, roughness)
def test_turbulent_flow_is_colebrooks(reynolds: float, rough: float) -> None:
    expected = fluids.friction.Colebrook(reynolds, rough)
    assert friction_factor(reynolds, rough) == pytest.approx(expected, rel=1e-9)


@given(turbulent, roughness)
def test_churchill_is_fluids_churchill(reynolds: float, rough: float) -> None:
    expected = fluids.friction.Churchill_1977(reynolds, rough)
    assert churchill_friction_factor(reynolds, rough) == pytest.approx(expected, rel=1e-12)


@given(turbulent, roughness)
def test_churchill_stays_within_four_per_cent_of_colebrook(reynolds: float, rough: float) -> None:
    exact = friction_factor(reynolds, rough)
    assert churchill_friction_factor(reynolds, rough) == pytest.approx(exact, rel=0.04)


@given(st.floats(1, 2000), roughness)
def test_laminar_flow_does_not_feel_the_wall(reynolds: float, rough: float) -> None:
    assert friction_factor(reynolds, rough) == 64 / reynolds


@given(st.floats(1, 1e7), st.floats(1.001, 2), roughness)
def test_head_loss_rises_with_flow_through_every_regime(
    reynolds: float, more: float, rough: float
) -> None:
    # loss ~ f Re²
    assert friction_factor(reynolds * more, rough) * more**2 > friction_factor(reynolds, rough)


@pytest.mark.parametrize("edge", [2000.0, 4000.0])
def test_no_jump_between_regimes(edge: float) -> None:
    below = friction_factor(edge * (1 - 1e-9), 1e-3)
    assert friction_factor(edge * (1 + 1e-9), 1e-3) == pytest.approx(below, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: friction_factor(0.0), "reynolds"),
        (lambda: friction_factor(1.1e8), "reynolds"),
        (lambda: friction_factor(1e5, 0.051), "relative_roughness"),
        (lambda: churchill_friction_factor(3999), "reynolds"),
    ],
)
def test_outside_the_range_is_refused(call: object, argument: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=argument):
        call()
