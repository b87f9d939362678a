"""The fitting core against certified and published fits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside_data import SEGMENTED, STAGNANT_BAND, pairs

from weldsection.errors import DataError
from weldsection.study import curves
from weldsection.study.fit import FloatArray, Weights, fit_curve
from weldsection.study.points import Points, averaged


def saturating(x: FloatArray, b: FloatArray) -> FloatArray:
    """b1 (1 - exp(-b2 x))."""
    return b[0] * (1 - np.exp(-b[1] * x))


def power(x: FloatArray, b: FloatArray) -> FloatArray:
    """b1 x^b2."""
    return b[0] * x ** b[1]


def logistic(x: FloatArray, b: FloatArray) -> FloatArray:
    """b1 / (1 + exp(b2 - b3 x))."""
    return b[0] / (1 + np.exp(b[1] - b[2] * x))


def data(text: str) -> tuple[FloatArray, FloatArray]:
    """Pairs written x:y."""
    x, y = np.array([pair.split(":") for pair in text.split()], float).T
    return x, y


MISRA1A = data(
    "77.6:10.07 114.9:14.73 141.1:17.94 190.8:23.93 239.9:29.61 289.0:35.18 "
    "332.8:40.02 378.4:44.82 434.8:50.76 477.3:55.05 536.8:61.01 593.1:66.40 "
    "689.1:75.47 760.0:81.78"
)
BOXBOD = data("1:109 2:149 3:149 5:191 7:213 10:224")
DANWOOD = data(
    "1.309:2.138 1.471:3.421 1.490:3.597 1.565:4.340 1.611:4.882 1.680:5.660"
)
RAT42 = data(
    "9:8.930 14:10.800 21:18.590 28:22.330 42:39.350 57:56.110 63:61.730 70:64.620 "
    "79:67.080"
)

# NIST StRD, nonlinear regression: certified parameters, standard deviations and
# residual sum of squares, from both certified starts.
CERTIFIED = {
    "Misra1a": (
        saturating, MISRA1A, [(500, 0.0001), (250, 0.0005)],
        [2.3894212918e02, 5.5015643181e-04], [2.7070075241, 7.2668688436e-06],
        1.2455138894e-01,
    ),
    "BoxBOD": (
        saturating, BOXBOD, [(1, 1), (100, 0.75)],
        [2.1380940889e02, 5.4723748542e-01], [1.2354515176e01, 1.0455993237e-01],
        1.1680088766e03,
    ),
    "DanWood": (
        power, DANWOOD, [(1, 5), (0.7, 4)],
        [7.6886226176e-01, 3.8604055871], [1.8281973860e-02, 5.1726610913e-02],
        4.3173084083e-03,
    ),
    "Rat42": (
        logistic, RAT42, [(100, 1, 0.1), (75, 2.5, 0.07)],
        [7.2462237576e01, 2.6180768402, 6.7359200066e-02],
        [1.7340283401, 8.8295217536e-02, 3.4465663377e-03],
        8.0565229338,
    ),
}  # fmt: skip


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_fits_to_six_digits_and_more(name: str, start: int) -> None:
    """Parameters, standard deviations and residual sum as NIST certifies them."""
    model, (x, y), starts, parameters, sd, rss = CERTIFIED[name]

    fit = fit_curve(model, x, y, starts[start])

    assert fit.parameters == pytest.approx(parameters, rel=5e-8)
    assert fit.u == pytest.approx(sd, rel=5e-8)
    assert fit.rss == pytest.approx(rss, rel=5e-8)


def test_a_good_fit_of_a_ceiling_is_no_plateau() -> None:
    """Misra1a ends at 81.8 while its fitted ceiling is 238.9 (NIST StRD)."""
    fit = fit_curve(saturating, *MISRA1A, (500, 0.0001))

    assert fit.parameters[0] > 2.9 * MISRA1A[1].max()


def fitted(x: FloatArray, y: FloatArray, curve: curves.Curve):
    """Fit one shape to plain data with equal weights."""
    return curves.fit(averaged(Points.of(x, y, 1.0), 0.0), curve)


def test_quadratic_plateau_as_published() -> None:
    """Join point 12.7477 and plateau 0.7775 (SAS/STAT manual, Segmented Model)."""
    x, y = pairs(SEGMENTED)

    fit = fitted(x, y, curves.QUADRATIC_THEN_FLAT)

    assert round(fit.parameters[2], 4) == 12.7477
    assert round(fit.parameters[0], 4) == 0.7775
    assert fit.rss == pytest.approx(0.0100660, abs=5e-8)


def test_the_place_of_a_plateau_depends_on_the_shape() -> None:
    """The same data break at 8.0 as a line then flat (reference-values I.2)."""
    x, y = pairs(SEGMENTED)

    fit = fitted(x, y, curves.LINE_THEN_FLAT)

    assert fit.parameters == pytest.approx([0.763750, 0.0438095, 8.00951], rel=2e-6)
    assert fit.u[2] == pytest.approx(0.50640, abs=1e-5)
    assert fit.rss == pytest.approx(0.0117780, abs=5e-8)


def test_broken_line_of_the_stagnant_band() -> None:
    """Break 0.035912 (0.021886), RSS 0.00938136 (Bacon and Watts 1971)."""
    fit = fitted(*pairs(STAGNANT_BAND), curves.TWO_LINES)

    level, before, more, at = fit.parameters
    assert at == pytest.approx(0.035912, abs=2e-6)
    assert fit.u[3] == pytest.approx(0.021886, abs=5e-6)
    assert fit.rss == pytest.approx(0.00938136, abs=5e-9)
    assert (before, before + more) == pytest.approx((-0.422077, -1.016593), abs=2e-6)
    assert level == pytest.approx(0.529503, abs=2e-6)


@pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")
def test_broken_line_agrees_with_another_program() -> None:
    """Break and interval beside those of `piecewise-regression`."""
    other = pytest.importorskip("piecewise_regression")
    x, y = pairs(STAGNANT_BAND)
    np.random.seed(1)  # noqa: NPY002 - that program draws its restarts from here
    found = other.Fit(list(x), list(y), n_breakpoints=1, n_boot=20).get_results()
    theirs = found["estimates"]["breakpoint1"]

    means = averaged(Points.of(x, y, 1.0), 0.0)
    profile = curves.profile(means, curves.TWO_LINES)
    fit = curves.fit(means, curves.TWO_LINES, profile)
    limit = fit.rss * (1 + 4.2417 / fit.df)  # F(1, 25) at 95 %
    low, high = profile.below(limit)

    assert fit.parameters[3] == pytest.approx(theirs["estimate"], abs=1e-4)
    assert fit.u[3] == pytest.approx(theirs["se"], rel=0.01)
    # Theirs is the estimate and two standard errors to each side. The profile
    # agrees above the break; below it reaches further, into the gap without data
    # from -0.12 to 0.01, where the residual sum rises slowly.
    their_low, their_high = theirs["confidence_interval"]
    assert high == pytest.approx(their_high, abs=0.001)
    assert their_low - 0.03 < low < their_low


def test_weights_count_as_repeats_do() -> None:
    """A point of weight four is four points."""
    x, y = np.array([1.0, 2, 3, 4]), np.array([1.0, 2.2, 2.8, 4.1])
    weights = Weights(np.diag([1.0, 2.0, 1.0, 1.0]))
    line = lambda x, b: b[0] + b[1] * x  # noqa: E731

    weighted = fit_curve(line, x, y, (0.1, 1), weights=weights)
    repeated = fit_curve(
        line, np.repeat(x, [1, 4, 1, 1]), np.repeat(y, [1, 4, 1, 1]), (0.1, 1)
    )

    assert weighted.parameters == pytest.approx(repeated.parameters, rel=1e-9)


def test_too_few_data_are_refused() -> None:
    """Three parameters cannot come from two values."""
    with pytest.raises(DataError, match="2 values are too few"):
        fit_curve(logistic, [1, 2], [3, 4], (1, 1, 1))


def test_parameters_that_the_data_do_not_fix_have_no_uncertainty() -> None:
    """Two parameters that do the same thing cannot be told apart: NaN, not a number."""
    fit = fit_curve(
        lambda x, b: (b[0] + b[1]) * x, [1, 2, 3, 4], [2, 4, 6, 8.1], (1, 1)
    )

    assert all(math.isnan(u) for u in fit.u)
