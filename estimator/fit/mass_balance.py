"""The deterministic tank: the linear system that links uptake to readings.

A well-mixed tank of volume V (L) holds alkalinity A (meq/L) and calcium C (mmol/L):

    dA/dt = κ·X(1 + q) − (κ + λ)(A − A_m) + doses/V − u_c(t)·s(t) − n,   κ = (F/V)·r(F/F0)
    dC/dt = α·reactor + doses/V − ρ·u_c(t)·s(t) + unlogged − ½ a·reactor
    A_e − A = [X(1 + q) − (A − A_m)]·r(F/F0)

with effluent flow F (L/day), effluent alkalinity A_e, and the supply law of `water.supply`:
r(x) = 1/(1 + x) for one chamber, X = X_sat·f_pH^β with β the response to chamber pH. Uptake by
calcification is u_c = u_0 + g·w (meq/L/day, constant within a local day) at the middle of the band
A_m, and answers to the level by λ = η·L/V, L a rough figure of the load (`load`); light shape s;
net nitrate production n (mmol/L/day, one equivalent lost per mole: Middelburg, Soetaert & Hagens
2020, Rev. Geophys. 58, Table 2), ρ mol of calcium per equivalent taken up, α mol of calcium per
equivalent dissolved as expected of the media, a what magnesium takes of it beyond that.
F0 = L/(X_sat·load share). A supply of calcium that nobody logged is its sd τ times a state that
begins standard normal and wanders.
Left out, as less than 1 % of calcium's uptake: (α − ρ)·λ(A − A_m) in Z, below.

Two facts keep this exact and cheap. (1) Between events all rates are constant but for s(t) and
one-time doses, so each forcing acts through ∫ e^(−k(t1−t)) m(t) dt, a short series in k whose
coefficients (`schedule`) do not depend on any unknown. (2) The sum Z = C − αA feels no reactor at
all, so calcium enters as Z and never decays.

An instrument that reads many times a day has an error that lasts: a stationary autoregression of sd
σ that fades as e^(−t/τ_e).

The light shape is a dark rate plus a half-sine over the lit hours; its mean over the day is 1:
s = (1 − φ) + φ·p(t), φ = (L − 1)f / (1 + f(L − 1)), with f the lit fraction of the day and L the
mean lit rate over the dark rate.
"""

from __future__ import annotations

import numpy as np

from estimator import units
from estimator.fit.kalman import System
from estimator.fit.layout import (
    CALCIUM_SHARE,
    DOSE,
    DRIFT,
    EFFLUENT_ALKALINITY,
    EFFLUENT_CALCIUM,
    EFFLUENT_DRIFT,
    KNOWN_SOLUTION,
    LEVEL_RESPONSE,
    LIGHT_RATIO,
    LOAD_SHARE,
    NOTHING,
    PH_RESPONSE,
    PHYSICAL,
    PULSE,
    SATURATED_INCREMENT,
    TANK_ALKALINITY,
    TANK_CALCIUM,
    TANK_NITRATE,
    UNIT,
    UNLOGGED_CALCIUM,
    UPTAKE,
    VOLUME,
    WATER_ALKALINITY,
    WATER_CALCIUM,
)
from estimator.fit.schedule import NITRATE_DRIFT
from estimator.kernels import kernel, part
from estimator.water.light import TERMS
from estimator.water.supply import SECOND_CHAMBER

NET_CHANGE_SCALE = units.MEQ_L_PER_DKH
"""Scale of changes of uptake where only the net change is seen, meq/L/day: a change relative to a
start that may be nothing would mean nothing."""

UNLOGGED_DAYS = 30.0
"""In so many days an unlogged supply of calcium may change as much as it usually is (no source)."""
LEAST_UNLOGGED = 0.01
"""Of the load: food, media and losses that no log holds (no source)."""


@part
def _series(moments, i, k):  # type: ignore[no-untyped-def]
    """Σ (−k)^j m_j of the three forcings over span i, and their derivatives by k."""
    unit = pulse = dose = unit_slope = pulse_slope = dose_slope = 0.0
    for j in range(TERMS - 1, -1, -1):  # all three at once: each waits for its own last term
        unit_slope = -unit_slope * k - unit
        pulse_slope = -pulse_slope * k - pulse
        dose_slope = -dose_slope * k - dose
        unit = moments[i, UNIT, j] - k * unit
        pulse = moments[i, PULSE, j] - k * pulse
        dose = moments[i, DOSE, j] - k * dose
    return unit, pulse, dose, unit_slope, pulse_slope, dose_slope


@kernel
def light_and_scale(theta, shape):  # type: ignore[no-untyped-def]
    """φ, the share of the uptake that follows the light, and g, the scale of its changes."""
    excess = shape.lit * (theta[LIGHT_RATIO] - 1.0)
    return excess / (1.0 + excess), NET_CHANGE_SCALE if shape.net_change else theta[UPTAKE]


@kernel
def reach_at(x, chambers):  # type: ignore[no-untyped-def]
    """r(x) of `water.supply.reach`, and its derivative."""
    first = 1.0 / (1.0 + x)
    slope = -first * first
    if chambers == 1:
        return first, slope
    least, more = SECOND_CHAMBER
    way, left = least + more * first, first * (1.0 - first)
    return first + way * left, slope * (1.0 + more * left + way * (1.0 - 2.0 * first))


@kernel
def _law_at(theta, shape, flow_l_d, log_ph_ratio):  # type: ignore[no-untyped-def]
    """At a flow and chamber pH: F/F0, r and its derivative by F/F0, and X."""
    x = flow_l_d * theta[SATURATED_INCREMENT] * theta[LOAD_SHARE] / shape.load_meq_d
    r, slope = reach_at(x, shape.chambers)
    return x, r, slope, theta[SATURATED_INCREMENT] * np.exp(theta[PH_RESPONSE] * log_ph_ratio)


@kernel
def _level_response(theta, shape):  # type: ignore[no-untyped-def]
    """λ, per day; none where only the net change is seen."""
    return 0.0 if shape.net_change else theta[LEVEL_RESPONSE] * shape.uptake_scale


@part
def fill(theta, spread, steps, moments, shape, mean, covariance):  # type: ignore[no-untyped-def]
    """The linear system at one parameter vector.

    Args:
        theta: (p,) as `layout` places them: V in L, L, u_0 in meq/L/day, ρ, X_sat in meq/L, load
            share, drift of w and of q per root day, η per meq/L, β, τ; then one calibration per kit
            bottle, σ and τ_e of each instrument, one repeatability per kit (canonical).
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
    variance = np.zeros(n)
    observed = np.zeros(n, dtype=np.bool_)
    reading = np.zeros(n)
    _fill_moves(theta, steps, moments, shape, transition, offset, noise)
    _fill_readings(theta, spread, steps, shape, loading, intercept, variance, observed, reading)
    return System(
        transition, offset, noise, loading, intercept, reading, variance, observed, mean, covariance
    )


@part
def _fill_moves(theta, steps, moments, shape, transition, offset, noise):  # type: ignore[no-untyped-def]
    """What happens to the states within each step."""
    volume = theta[VOLUME]
    share, scale = light_and_scale(theta, shape)
    uptake = theta[UPTAKE]
    excess = shape.media_calcium - theta[CALCIUM_SHARE]
    response = _level_response(theta, shape)
    for i in range(len(steps)):
        for a in range(shape.moving):
            transition[i, a, a] = 1.0
        if steps[i].change_l == 0.0:
            flow = steps[i].flow_l_d
            _, reach, _, strong = _law_at(theta, shape, flow, steps[i].log_ph_ratio)
            kappa = flow / volume * reach
            k = kappa + response
            unit, pulse, dose, _, _, _ = _series(moments, i, k)
            eaten = (1.0 - share) * unit + share * pulse
            transition[i, 0, 0] = np.exp(-k * steps[i].span_d)
            transition[i, 0, shape.uptake] = -scale * eaten
            offset[i, 0] = (
                -uptake * eaten + (kappa * strong + k * shape.middle) * unit + dose / volume
            )
            if shape.effluent >= 0:
                transition[i, 0, shape.effluent] = kappa * strong * unit
            if shape.z >= 0:
                whole = (1.0 - share) * steps[i].span_d + share * moments[i, PULSE, 0]
                transition[i, shape.z, shape.uptake] = excess * scale * whole
                offset[i, shape.z] = (
                    excess * uptake * whole
                    + (steps[i].dose_calcium_mmol - shape.media_calcium * moments[i, DOSE, 0])
                    / volume
                )
                supplied = (LEAST_UNLOGGED + theta[UNLOGGED_CALCIUM]) * 0.5 * shape.uptake_scale
                transition[i, shape.z, shape.unlogged] = supplied * steps[i].span_d
                if shape.magnesium >= 0:
                    transition[i, shape.z, shape.magnesium] = -0.5 * steps[i].dissolved_meq_l
            if shape.nitrate >= 0:
                transition[i, 0, shape.nitrate_rate] = -unit
                transition[i, shape.nitrate, shape.nitrate_rate] = steps[i].span_d
                if shape.z >= 0:
                    lost = shape.media_calcium * steps[i].span_d
                    transition[i, shape.z, shape.nitrate_rate] = lost
        else:
            _fill_change(theta, steps, shape, transition, i)
        _fill_noise(theta, steps, shape, transition, noise, i)


@part
def _fill_change(theta, steps, shape, transition, i):  # type: ignore[no-untyped-def]
    """The water change of step i."""
    renewed = steps[i].change_l / theta[VOLUME]
    water = shape.first_water + 2 * steps[i].change_water
    for a in range(shape.first_instrument):
        transition[i, a, a] = 1.0 - renewed
    transition[i, 0, water] = renewed
    if shape.z >= 0:
        transition[i, shape.z, water] = -shape.media_calcium * renewed
        transition[i, shape.z, water + 1] = renewed


@part
def _fill_noise(theta, steps, shape, transition, noise, i):  # type: ignore[no-untyped-def]
    """What wanders in step i, and how an instrument's lasting error fades."""
    noise[i, shape.uptake] = theta[DRIFT] ** 2 * steps[i].drift_d + steps[i].uptake_step
    if shape.effluent >= 0:
        drift = theta[EFFLUENT_DRIFT] ** 2 * steps[i].effluent_drift_d
        noise[i, shape.effluent] = drift + steps[i].effluent_step
    if shape.kit_shift >= 0:
        noise[i, shape.kit_shift] = steps[i].kit_wander
    if shape.unlogged >= 0:
        noise[i, shape.unlogged] = steps[i].drift_d / UNLOGGED_DAYS
    if shape.nitrate >= 0:
        noise[i, shape.nitrate_rate] = NITRATE_DRIFT**2 * steps[i].drift_d
    for e in range(shape.instruments):
        place = shape.first_instrument + e
        sd, fades_d = theta[shape.first_error + 2 * e], theta[shape.first_error + 2 * e + 1]
        kept = np.exp(-steps[i].span_d / fades_d)
        # Stationary from the start.
        transition[i, place, place] = kept if i > 0 else 0.0
        noise[i, place] = sd**2 * (1.0 - kept**2 if i > 0 else 1.0)


@part
def _fill_readings(  # type: ignore[no-untyped-def]
    theta, spread, steps, shape, loading, intercept, variance, observed, reading
):
    """What each step's reading shows of the states."""
    for i in range(len(steps)):
        kind = steps[i].kind
        if kind == NOTHING:
            continue
        flow = steps[i].shown_flow_l_d
        _, reach, _, strong = _law_at(theta, shape, flow, steps[i].log_ph_ratio)
        calibration = theta[PHYSICAL + steps[i].bottle]
        repeat = theta[shape.first_repeatability + steps[i].kit]
        if steps[i].instrument >= 0:
            loading[i, steps[i].instrument] = 1.0
        if shape.kit_shift >= 0:
            # By no parameter (`bottles`), so that nothing of it is pulled back.
            loading[i, shape.kit_shift] = steps[i].shown_meq_l
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
                if shape.magnesium >= 0:
                    taken = -0.5 * steps[i].shown_increment_meq_l
                    loading[i, shape.magnesium] = calibration * taken
            loading[i, 0] = by * (1.0 - reach)
            loading[i, shape.effluent] = by * reach * strong
            intercept[i] = by * reach * (strong + shape.middle)
        elif kind == TANK_NITRATE:
            loading[i, shape.nitrate] = calibration
        elif kind == WATER_ALKALINITY:
            loading[i, shape.first_water + 2 * steps[i].water] = calibration
        elif kind == WATER_CALCIUM:
            loading[i, shape.first_water + 2 * steps[i].water + 1] = calibration
        elif kind == KNOWN_SOLUTION:
            intercept[i] = calibration * steps[i].known


@kernel
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
        for e in range(shape.instruments):
            _pull_instrument(theta, steps, shape, adjoint, gradient, i, e)
        if steps[i].kind != NOTHING:
            _pull_reading(theta, spread, steps, shape, adjoint, gradient, i)
    if not shape.net_change:
        gradient[UPTAKE] += by_light_and_scale[1]
    slope = shape.lit / (1.0 + shape.lit * (theta[LIGHT_RATIO] - 1.0)) ** 2
    gradient[LIGHT_RATIO] = by_light_and_scale[0] * slope
    return gradient


@part
def _pull_span(theta, steps, moments, shape, adjoint, gradient, by_light_and_scale, i):  # type: ignore[no-untyped-def]
    """Adds what span i passes back to the gradient, and to that by φ and by g."""
    volume = theta[VOLUME]
    share, scale = light_and_scale(theta, shape)
    uptake = theta[UPTAKE]
    excess = shape.media_calcium - theta[CALCIUM_SHARE]
    flow = steps[i].flow_l_d
    x, reach, reach_slope, strong = _law_at(theta, shape, flow, steps[i].log_ph_ratio)
    kappa = flow / volume * reach
    k = kappa + _level_response(theta, shape)
    unit, pulse, dose, unit_slope, pulse_slope, dose_slope = _series(moments, i, k)
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
        + d_effluent * kappa * strong * unit_slope
        + d_offset * (shape.middle * (unit + k * unit_slope) + dose_slope / volume)
    )
    if shape.nitrate >= 0:
        d_k -= adjoint.transition[i, 0, shape.nitrate_rate] * unit_slope
    d_kappa = d_effluent * strong * unit + d_k
    d_log_x = d_kappa * flow / volume * reach_slope * x
    d_log_strong = d_effluent * kappa * unit * strong
    _pull_law(theta, steps, gradient, i, d_log_x, d_log_strong)
    gradient[VOLUME] -= (d_kappa * kappa + d_offset * dose / volume) / volume
    if not shape.net_change:
        gradient[LEVEL_RESPONSE] += d_k * shape.uptake_scale
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
        unlogged = adjoint.transition[i, shape.z, shape.unlogged] * steps[i].span_d
        gradient[UNLOGGED_CALCIUM] += unlogged * 0.5 * shape.uptake_scale


@kernel
def _pull_law(theta, steps, gradient, i, d_log_x, d_log_strong):  # type: ignore[no-untyped-def]
    """Adds to the gradient what passes back by log F/F0 and by log X (see `_law_at`)."""
    both = d_log_x + d_log_strong
    gradient[SATURATED_INCREMENT] += both / theta[SATURATED_INCREMENT]
    gradient[LOAD_SHARE] += d_log_x / theta[LOAD_SHARE]
    gradient[PH_RESPONSE] += d_log_strong * steps[i].log_ph_ratio


@part
def _pull_instrument(theta, steps, shape, adjoint, gradient, i, e):  # type: ignore[no-untyped-def]
    """Adds what the lasting error of instrument e passes back in step i."""
    place, at = shape.first_instrument + e, shape.first_error + 2 * e
    sd, fades_d = theta[at], theta[at + 1]
    d_noise = adjoint.noise[i, place]
    if i == 0:
        gradient[at] += 2.0 * sd * d_noise
        return
    kept = np.exp(-steps[i].span_d / fades_d)
    slope = kept * steps[i].span_d / fades_d**2
    gradient[at] += 2.0 * sd * (1.0 - kept**2) * d_noise
    d_kept = adjoint.transition[i, place, place] - 2.0 * sd**2 * kept * d_noise
    gradient[at + 1] += d_kept * slope


@part
def _pull_change(steps, shape, adjoint, i):  # type: ignore[no-untyped-def]
    """Derivative by the part renewed, times the litres renewed, of the water change of step i."""
    water = shape.first_water + 2 * steps[i].change_water
    d_renewed = adjoint.transition[i, 0, water]
    for a in range(shape.first_instrument):
        d_renewed -= adjoint.transition[i, a, a]
    if shape.z >= 0:
        d_renewed += (
            adjoint.transition[i, shape.z, water + 1]
            - shape.media_calcium * adjoint.transition[i, shape.z, water]
        )
    return d_renewed * steps[i].change_l


@part
def _pull_reading(theta, spread, steps, shape, adjoint, gradient, i):  # type: ignore[no-untyped-def]
    """Adds what the reading of step i passes back to the gradient."""
    kind = steps[i].kind
    flow = steps[i].shown_flow_l_d
    x, reach, reach_slope, strong = _law_at(theta, shape, flow, steps[i].log_ph_ratio)
    at = PHYSICAL + steps[i].bottle
    calibration = theta[at]
    kit = shape.first_repeatability + steps[i].kit
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
            if shape.magnesium >= 0:
                taken = -0.5 * steps[i].shown_increment_meq_l
                gradient[at] += adjoint.loading[i, shape.magnesium] * taken
        d_level = adjoint.loading[i, 0] * by
        d_change = adjoint.loading[i, shape.effluent] * by
        d_fixed = adjoint.intercept[i] * by
        fixed = strong + shape.middle
        gradient[at] += d_level * (1.0 - reach) + reach * (d_change * strong + d_fixed * fixed)
        d_reach = calibration * (d_change * strong + d_fixed * fixed - d_level)
        d_log_strong = calibration * reach * (d_change + d_fixed) * strong
        _pull_law(theta, steps, gradient, i, d_reach * reach_slope * x, d_log_strong)
    elif kind == TANK_NITRATE:
        gradient[at] += adjoint.loading[i, shape.nitrate]
    elif kind == WATER_ALKALINITY:
        gradient[at] += adjoint.loading[i, shape.first_water + 2 * steps[i].water]
    elif kind == WATER_CALCIUM:
        gradient[at] += adjoint.loading[i, shape.first_water + 2 * steps[i].water + 1]
    elif kind == KNOWN_SOLUTION:
        gradient[at] += adjoint.intercept[i] * steps[i].known
