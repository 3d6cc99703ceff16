"""The deterministic tank: the linear system that links uptake to readings.

A well-mixed tank of volume V (L) holds alkalinity A (meq/L) and calcium C (mmol/L):

    dA/dt = (F/V)(A_e − A) + doses/V − u_c(t)·s(t) − n
    dC/dt = α(F/V)(A_e − A) + doses/V − ρ·u_c(t)·s(t)
    A_e − A = [X(1 + q)·f_pH − (1 − ε)(A − A_m)]·(F/F_ref)^(−ε)

with effluent flow F (L/day), effluent alkalinity A_e, uptake by calcification u_c = u_0 + g·w
(meq/L/day, constant within a local day), light shape s, net nitrate production n (mmol/L/day, one
equivalent lost per mole: Middelburg, Soetaert & Hagens 2020, Rev. Geophys. 58, Table 2), ρ mol of
calcium per equivalent taken up, α mol of calcium per equivalent dissolved. X is the effluent's
increment over tank water of alkalinity A_m (the middle of the band) at the reference flow. A
chamber with first-order approach to its equilibrium has ε = (F/V_c)/(κ + F/V_c): at ε = 0 A_e does
not depend on A or F; at ε = 1 the supply per day is fixed.

Two facts keep this exact and cheap. (1) Between events all rates are constant but for s(t) and
one-time doses, so each forcing acts through ∫ e^(−k(t1−t)) m(t) dt, a short series in k whose
coefficients (`schedule`) do not depend on any unknown. (2) The sum Z = C − αA feels no reactor at
all, so calcium enters as Z and never decays.

The light shape is a dark rate plus a half-sine over the lit hours; its mean over the day is 1:
s = (1 − φ) + φ·p(t), φ = (L − 1)f / (1 + f(L − 1)), with f the lit fraction of the day and L the
mean lit rate over the dark rate.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from estimator import units
from estimator.fit.kalman import System
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DOSE,
    DRIFT,
    EFFLUENT_ALKALINITY,
    EFFLUENT_CALCIUM,
    EFFLUENT_DRIFT,
    EXPONENT,
    INCREMENT,
    KNOWN_SOLUTION,
    LIGHT_RATIO,
    NOTHING,
    PHYSICAL,
    PULSE,
    TANK_ALKALINITY,
    TANK_CALCIUM,
    TANK_NITRATE,
    UNIT,
    UPTAKE,
    VOLUME,
    WATER_ALKALINITY,
    WATER_CALCIUM,
)
from estimator.fit.schedule import NITRATE_DRIFT
from estimator.water.light import TERMS

NET_CHANGE_SCALE = units.MEQ_L_PER_DKH
"""Scale of changes of uptake where only the net change is seen, meq/L/day: a change relative to a
start that may be nothing would mean nothing."""


@njit(cache=True)
def _series(moments, i, forcing, k):  # type: ignore[no-untyped-def]
    """Σ (−k)^j m_j of one forcing over span i, and its derivative by k."""
    value = 0.0
    slope = 0.0
    for j in range(TERMS - 1, -1, -1):
        slope = -slope * k - value
        value = moments[i, forcing, j] - k * value
    return value, slope


@njit(cache=True)
def light_and_scale(theta, shape):  # type: ignore[no-untyped-def]
    """φ, the share of the uptake that follows the light, and g, the scale of its changes."""
    excess = shape.lit * (theta[LIGHT_RATIO] - 1.0)
    return excess / (1.0 + excess), NET_CHANGE_SCALE if shape.net_change else theta[UPTAKE]


@njit(cache=True)
def fill(theta, spread, steps, moments, shape, mean, covariance):  # type: ignore[no-untyped-def]
    """The linear system at one parameter vector.

    Args:
        theta: (p,) as `layout` places them: V in L, L, u_0 in meq/L/day, ρ, X in meq/L, ε, drift of
            w and of q per root day, then one calibration per kit bottle and one repeatability per
            kit (canonical).
        spread: (n,) factor on the error sd of each step's reading (1: an ordinary reading).
        steps, moments, shape: from a `Schedule`.
        mean, covariance: of the states at the start.

    Returns:
        A `kalman.System`.
    """
    n = len(steps)
    transition = np.zeros((n, shape.moving, shape.size))
    offset = np.zeros((n, shape.moving))
    noise = np.zeros((n, shape.size))
    loading = np.zeros((n, shape.size))
    intercept = np.zeros(n)
    variance = np.ones(n)
    observed = np.zeros(n, dtype=np.bool_)
    reading = np.zeros(n)
    _fill_moves(theta, steps, moments, shape, transition, offset, noise)
    _fill_readings(theta, spread, steps, shape, loading, intercept, variance, observed, reading)
    return System(
        transition,
        offset,
        noise,
        loading,
        intercept,
        reading,
        variance,
        observed,
        mean,
        covariance,
    )


@njit(cache=True)
def _fill_moves(theta, steps, moments, shape, transition, offset, noise):  # type: ignore[no-untyped-def]
    """What happens to the states within each step."""
    volume = theta[VOLUME]
    share, scale = light_and_scale(theta, shape)
    uptake = theta[UPTAKE]
    excess = shape.media_calcium - theta[CALCIUM_SHARE]
    epsilon = theta[EXPONENT]
    for i in range(len(steps)):
        for a in range(shape.moving):
            transition[i, a, a] = 1.0
        respond = np.exp(-epsilon * steps[i].log_ratio)
        strength = theta[INCREMENT] * steps[i].ph_factor
        if steps[i].change_l == 0.0:
            kappa = steps[i].flow_l_d / volume * respond
            k = kappa * (1.0 - epsilon)
            unit, _ = _series(moments, i, UNIT, k)
            pulse, _ = _series(moments, i, PULSE, k)
            dose, _ = _series(moments, i, DOSE, k)
            eaten = (1.0 - share) * unit + share * pulse
            transition[i, 0, 0] = np.exp(-k * steps[i].span_d)
            transition[i, 0, shape.uptake] = -scale * eaten
            offset[i, 0] = (
                -uptake * eaten + (kappa * strength + k * shape.middle) * unit + dose / volume
            )
            if shape.effluent >= 0:
                transition[i, 0, shape.effluent] = kappa * strength * unit
            if shape.z >= 0:
                whole = (1.0 - share) * steps[i].span_d + share * moments[i, PULSE, 0]
                transition[i, shape.z, shape.uptake] = excess * scale * whole
                offset[i, shape.z] = (
                    excess * uptake * whole
                    + (steps[i].dose_calcium_mmol - shape.media_calcium * moments[i, DOSE, 0])
                    / volume
                )
            if shape.nitrate >= 0:
                transition[i, 0, shape.nitrate_rate] = -unit
                transition[i, shape.nitrate, shape.nitrate_rate] = steps[i].span_d
                if shape.z >= 0:
                    lost = shape.media_calcium * steps[i].span_d
                    transition[i, shape.z, shape.nitrate_rate] = lost
        else:
            renewed = steps[i].change_l / volume
            water = shape.first_water + 2 * steps[i].change_water
            for a in range(shape.moving):
                transition[i, a, a] = 1.0 - renewed
            transition[i, 0, water] = renewed
            if shape.z >= 0:
                transition[i, shape.z, water] = -shape.media_calcium * renewed
                transition[i, shape.z, water + 1] = renewed
        noise[i, shape.uptake] = theta[DRIFT] ** 2 * steps[i].drift_d + steps[i].uptake_step
        if shape.effluent >= 0:
            drift = theta[EFFLUENT_DRIFT] ** 2 * steps[i].effluent_drift_d
            noise[i, shape.effluent] = drift + steps[i].effluent_step
        if shape.nitrate >= 0:
            noise[i, shape.nitrate_rate] = NITRATE_DRIFT**2 * steps[i].drift_d


@njit(cache=True)
def _fill_readings(  # type: ignore[no-untyped-def]
    theta, spread, steps, shape, loading, intercept, variance, observed, reading
):
    """What each step's reading shows of the states."""
    epsilon = theta[EXPONENT]
    first_kit = PHYSICAL + shape.bottles
    for i in range(len(steps)):
        kind = steps[i].kind
        if kind == NOTHING:
            continue
        respond = np.exp(-epsilon * steps[i].log_ratio)
        strength = theta[INCREMENT] * steps[i].ph_factor
        calibration = theta[PHYSICAL + steps[i].bottle]
        repeat = theta[first_kit + steps[i].kit]
        observed[i] = True
        reading[i] = steps[i].value
        variance[i] = spread[i] ** 2 * ((steps[i].scatter * repeat) ** 2 + steps[i].rounding)
        if kind == TANK_ALKALINITY:
            loading[i, 0] = calibration
        elif kind == TANK_CALCIUM:
            loading[i, shape.z] = calibration
            loading[i, 0] = calibration * shape.media_calcium
        elif kind in (EFFLUENT_ALKALINITY, EFFLUENT_CALCIUM):
            by = calibration
            if kind == EFFLUENT_CALCIUM:
                by = calibration * shape.media_calcium
                loading[i, shape.z] = calibration
            loading[i, 0] = by * (1.0 - (1.0 - epsilon) * respond)
            loading[i, shape.effluent] = by * respond * strength
            intercept[i] = by * respond * (strength + (1.0 - epsilon) * shape.middle)
        elif kind == TANK_NITRATE:
            loading[i, shape.nitrate] = calibration
        elif kind == WATER_ALKALINITY:
            loading[i, shape.first_water + 2 * steps[i].water] = calibration
        elif kind == WATER_CALCIUM:
            loading[i, shape.first_water + 2 * steps[i].water + 1] = calibration
        elif kind == KNOWN_SOLUTION:
            intercept[i] = calibration * steps[i].known


@njit(cache=True)
def pull_back(theta, spread, steps, moments, shape, adjoint):  # type: ignore[no-untyped-def]
    """Gradient by `theta` from the adjoint of the system that `fill` made. Shape (p,)."""
    gradient = np.zeros(len(theta))
    by_light_and_scale = np.zeros(2)
    for i in range(len(steps)):
        if steps[i].change_l == 0.0:
            _pull_span(theta, steps, moments, shape, adjoint, gradient, by_light_and_scale, i)
        else:
            gradient[VOLUME] -= _pull_change(steps, shape, adjoint, i) / theta[VOLUME] ** 2
        gradient[DRIFT] += 2.0 * theta[DRIFT] * steps[i].drift_d * adjoint.noise[i, shape.uptake]
        if shape.effluent >= 0:
            drift = 2.0 * theta[EFFLUENT_DRIFT] * steps[i].effluent_drift_d
            gradient[EFFLUENT_DRIFT] += drift * adjoint.noise[i, shape.effluent]
        if steps[i].kind != NOTHING:
            _pull_reading(theta, spread, steps, shape, adjoint, gradient, i)
    if not shape.net_change:
        gradient[UPTAKE] += by_light_and_scale[1]
    slope = shape.lit / (1.0 + shape.lit * (theta[LIGHT_RATIO] - 1.0)) ** 2
    gradient[LIGHT_RATIO] = by_light_and_scale[0] * slope
    return gradient


@njit(cache=True)
def _pull_span(theta, steps, moments, shape, adjoint, gradient, by_light_and_scale, i):  # type: ignore[no-untyped-def]
    """Adds what span i passes back to the gradient, and to that by φ and by g."""
    volume = theta[VOLUME]
    share, scale = light_and_scale(theta, shape)
    uptake = theta[UPTAKE]
    excess = shape.media_calcium - theta[CALCIUM_SHARE]
    epsilon = theta[EXPONENT]
    strength = theta[INCREMENT] * steps[i].ph_factor
    kappa = steps[i].flow_l_d / volume * np.exp(-epsilon * steps[i].log_ratio)
    k = kappa * (1.0 - epsilon)
    unit, unit_slope = _series(moments, i, UNIT, k)
    pulse, pulse_slope = _series(moments, i, PULSE, k)
    dose, dose_slope = _series(moments, i, DOSE, k)
    eaten = (1.0 - share) * unit + share * pulse
    eaten_slope = (1.0 - share) * unit_slope + share * pulse_slope
    d_offset = adjoint.offset[i, 0]
    d_uptake = adjoint.transition[i, 0, shape.uptake]
    d_effluent = d_offset
    if shape.effluent >= 0:
        d_effluent += adjoint.transition[i, 0, shape.effluent]
    d_eaten = -scale * d_uptake - uptake * d_offset
    d_k = (
        -adjoint.transition[i, 0, 0] * steps[i].span_d * np.exp(-k * steps[i].span_d)
        + d_eaten * eaten_slope
        + d_effluent * kappa * strength * unit_slope
        + d_offset * (shape.middle * (unit + k * unit_slope) + dose_slope / volume)
    )
    if shape.nitrate >= 0:
        d_k -= adjoint.transition[i, 0, shape.nitrate_rate] * unit_slope
    d_kappa = d_effluent * strength * unit + d_k * (1.0 - epsilon)
    gradient[EXPONENT] -= kappa * (d_k + d_kappa * steps[i].log_ratio)
    gradient[VOLUME] -= (d_kappa * kappa + d_offset * dose / volume) / volume
    gradient[INCREMENT] += d_effluent * kappa * unit * steps[i].ph_factor
    gradient[UPTAKE] -= d_offset * eaten
    by_light_and_scale[0] += d_eaten * (pulse - unit)
    by_light_and_scale[1] -= d_uptake * eaten
    if shape.z >= 0:
        whole = (1.0 - share) * steps[i].span_d + share * moments[i, PULSE, 0]
        d_z = adjoint.offset[i, shape.z]
        d_z_uptake = adjoint.transition[i, shape.z, shape.uptake]
        both = d_z_uptake * scale + d_z * uptake
        gradient[UPTAKE] += d_z * excess * whole
        gradient[CALCIUM_SHARE] -= both * whole
        by_light_and_scale[0] += both * excess * (moments[i, PULSE, 0] - steps[i].span_d)
        by_light_and_scale[1] += d_z_uptake * excess * whole
        dosed = steps[i].dose_calcium_mmol - shape.media_calcium * moments[i, DOSE, 0]
        gradient[VOLUME] -= d_z * dosed / volume**2


@njit(cache=True)
def _pull_change(steps, shape, adjoint, i):  # type: ignore[no-untyped-def]
    """Derivative by the part renewed, times the litres renewed, of the water change of step i."""
    water = shape.first_water + 2 * steps[i].change_water
    d_renewed = adjoint.transition[i, 0, water]
    for a in range(shape.moving):
        d_renewed -= adjoint.transition[i, a, a]
    if shape.z >= 0:
        d_renewed += (
            adjoint.transition[i, shape.z, water + 1]
            - shape.media_calcium * adjoint.transition[i, shape.z, water]
        )
    return d_renewed * steps[i].change_l


@njit(cache=True)
def _pull_reading(theta, spread, steps, shape, adjoint, gradient, i):  # type: ignore[no-untyped-def]
    """Adds what the reading of step i passes back to the gradient."""
    epsilon = theta[EXPONENT]
    first_kit = PHYSICAL + shape.bottles
    kind = steps[i].kind
    respond = np.exp(-epsilon * steps[i].log_ratio)
    strength = theta[INCREMENT] * steps[i].ph_factor
    at = PHYSICAL + steps[i].bottle
    calibration = theta[at]
    kit = first_kit + steps[i].kit
    gradient[kit] += 2.0 * theta[kit] * (spread[i] * steps[i].scatter) ** 2 * adjoint.variance[i]
    if kind == TANK_ALKALINITY:
        gradient[at] += adjoint.loading[i, 0]
    elif kind == TANK_CALCIUM:
        gradient[at] += adjoint.loading[i, shape.z] + shape.media_calcium * adjoint.loading[i, 0]
    elif kind in (EFFLUENT_ALKALINITY, EFFLUENT_CALCIUM):
        by = 1.0
        if kind == EFFLUENT_CALCIUM:
            by = shape.media_calcium
            gradient[at] += adjoint.loading[i, shape.z]
        d_level = adjoint.loading[i, 0] * by
        d_change = adjoint.loading[i, shape.effluent] * by
        d_fixed = adjoint.intercept[i] * by
        level = 1.0 - (1.0 - epsilon) * respond
        fixed = strength + (1.0 - epsilon) * shape.middle
        gradient[at] += d_level * level + respond * (d_change * strength + d_fixed * fixed)
        d_respond = calibration * (
            -d_level * (1.0 - epsilon) + d_change * strength + d_fixed * fixed
        )
        d_strength = calibration * respond * (d_change + d_fixed)
        gradient[INCREMENT] += d_strength * steps[i].ph_factor
        gradient[EXPONENT] += calibration * respond * (d_level - d_fixed * shape.middle)
        gradient[EXPONENT] -= d_respond * respond * steps[i].log_ratio
    elif kind == TANK_NITRATE:
        gradient[at] += adjoint.loading[i, shape.nitrate]
    elif kind == WATER_ALKALINITY:
        gradient[at] += adjoint.loading[i, shape.first_water + 2 * steps[i].water]
    elif kind == WATER_CALCIUM:
        gradient[at] += adjoint.loading[i, shape.first_water + 2 * steps[i].water + 1]
    elif kind == KNOWN_SOLUTION:
        gradient[at] += adjoint.intercept[i] * steps[i].known
