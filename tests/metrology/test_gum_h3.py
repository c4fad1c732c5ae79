"""JCGM 100:2008 (GUM), example H.3: the calibration of a thermometer as a straight line, through the core's least squares.

Data as in the GUM (checked against a national institute's uncertainty library that reproduces H.3); printed results from memory and
confirmed by computing. A line with a common reference temperature is what zero and span of a display are, with load for temperature.
"""

import math

import numpy as np
import pytest

from fleetcal.metrology.least_squares import gls

T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
T0 = 20.0


@pytest.fixture(scope="module")
def line() -> tuple[np.ndarray, np.ndarray, float]:
    """Intercept and slope at 20 °C, their covariance, and the residual standard deviation."""
    design = np.column_stack((np.ones_like(T), T - T0))
    fit = gls(design, B, np.eye(len(T)))
    # The scatter of the observations is unknown in H.3: it comes from the residuals.
    s2 = fit.chi_square / fit.degrees_of_freedom
    return np.asarray(fit.coefficients), np.asarray(fit.covariance) * s2, math.sqrt(s2)


def test_intercept_and_slope_with_their_uncertainties(line: tuple[np.ndarray, np.ndarray, float]) -> None:
    (y1, y2), covariance, s = line
    assert y1 == pytest.approx(-0.171203790, abs=5e-10)
    assert y2 == pytest.approx(0.002182698, abs=5e-10)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(0.002877598, abs=5e-10)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(0.000667939, abs=5e-10)
    assert s == pytest.approx(0.003497564, abs=5e-10)
    # as printed in the GUM
    assert (round(y1, 4), round(y2, 5), round(s, 4)) == (-0.1712, 0.00218, 0.0035)


def test_intercept_and_slope_are_strongly_correlated(line: tuple[np.ndarray, np.ndarray, float]) -> None:
    _, covariance, _ = line
    r = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert r == pytest.approx(-0.930429603, abs=5e-10)


def test_a_predicted_correction_needs_the_covariance(line: tuple[np.ndarray, np.ndarray, float]) -> None:
    coefficients, covariance, _ = line
    at_30 = np.array([1.0, 30.0 - T0])
    assert at_30 @ coefficients == pytest.approx(-0.149376813, abs=5e-10)
    assert math.sqrt(at_30 @ covariance @ at_30) == pytest.approx(0.004138596, abs=5e-10)
    # Without the covariance the uncertainty would come out nearly twice too large.
    without = math.sqrt(at_30 @ np.diag(np.diag(covariance)) @ at_30)
    assert without == pytest.approx(0.00727, abs=5e-6)


def test_an_error_common_to_all_readings_moves_the_intercept_only() -> None:
    """A reference error of 0.005 shared by all observations adds to u(y1) and leaves u(y2) as it is (same source)."""
    design = np.column_stack((np.ones_like(T), T - T0))
    own = gls(design, B, np.eye(len(T)))
    s2 = own.chi_square / own.degrees_of_freedom
    shared = gls(design, B, np.eye(len(T)) * s2 + 0.005**2)
    assert math.sqrt(shared.covariance[0, 0]) == pytest.approx(0.0057689, abs=5e-8)
    assert math.sqrt(shared.covariance[1, 1]) == pytest.approx(0.000667939, abs=5e-9)
