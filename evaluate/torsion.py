"""Torsional vibration: natural frequencies, phase-vector sums, criticals, twist and stress.

The chain of inertias and springs is stated (`evaluate.torsion_chain`) or comes from proportions
(`evaluate.torsion_crank`). Everything is linear and at steady state: each multiple q of the working
cycle excites a vibration at its order q 360 / cycle_deg times the speed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.linalg  # type: ignore[import-untyped]
from numpy.typing import ArrayLike, NDArray

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.phasors import ComplexArray, unit_phasors
from evaluate.torsion_chain import Chain, assembled
from evaluate.units import rpm_from_rad_s

BoolArray = NDArray[np.bool_]

#: Gas torque above it is small, and bearings and pistons damp it well: a project assumption. [-]
HIGHEST_ORDER = 12.0
#: Below this share of the highest natural frequency squared a mode is a rigid one: round-off is
#: about 1e-16 of it, and the softest coupling in an engine far above.
_RIGID_SHARE = 1e-11
#: A free end that moves less than this share of the largest station is a node.
_NODE_SHARE = 1e-3
#: Imaginary part over size of a root that swings: a damping ratio below 0.995.
_SWINGING_SHARE = 0.1
#: Speeds beside a resonance in units of half its width: so close that a peak is missed by less
#: than one per cent.
_AROUND_RESONANCE = (-2.0, -1.0, -0.5, -0.25, 0.0, 0.25, 0.5, 1.0, 2.0)
#: So that a highest order of 3 includes the order 3. [-]
_ROUND_OFF = 1e-12


@dataclass(frozen=True, kw_only=True, slots=True)
class Modes:
    """Natural vibrations of a chain without damping, rigid ones apart.

    Attributes
    ----------
    frequencies_rad_s : array, shape (modes,)
        Rising. [rad/s]
    shapes : array, shape (modes, stations)
        Twist of each station (a damper's ring first), 1 at the free end; where that moves less
        than a thousandth of the largest, 1 at the largest. [-]
    inertias_kgm2 : array, shape (modes,)
        Sum of inertia x shape squared. [kg m^2]
    """

    frequencies_rad_s: FloatArray
    shapes: FloatArray
    inertias_kgm2: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Resonances:
    """Vibrations of a damped chain that swing.

    Attributes
    ----------
    frequencies_rad_s : array, shape (resonances,)
        Rising. [rad/s]
    magnifiers : array, shape (resonances,)
        1 / (2 x damping ratio): resonance over static twist; infinite without damping. [-]
    """

    frequencies_rad_s: FloatArray
    magnifiers: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Excitation:
    """Harmonics of the torque of one cylinder, from its own firing top dead centre.

    Attributes
    ----------
    gas_Nm : tuple of complex, one per multiple of the cycle from 0
        c_q: torque = Re sum c_q exp(j q psi 360 / cycle_deg); the mean (q = 0) twists nothing to
        and fro and is not used. [N m]
    inertia_kgm2 : tuple of complex, same length
        The same of the inertia torque, over speed squared. [kg m^2]
    cycle_deg : float
        720 or 360. [deg]
    """

    gas_Nm: tuple[complex, ...]
    inertia_kgm2: tuple[complex, ...]
    cycle_deg: float

    @property
    def multiples(self) -> IntArray:
        """Return the multiples q of the cycle that excite, from 1."""
        return np.arange(1, len(self.gas_Nm))

    @property
    def orders(self) -> FloatArray:
        """Return the orders of the multiples, in vibrations per turn. [-]"""
        return orders_of(self.multiples, self.cycle_deg)

    def at(self, speeds_rad_s: FloatArray) -> ComplexArray:
        """Return the harmonics at speeds, shape (multiples, speeds). [N m]"""
        gas = np.array(self.gas_Nm, complex)[1:, np.newaxis]
        inertia = np.array(self.inertia_kgm2, complex)[1:, np.newaxis]
        return np.asarray(gas + inertia * speeds_rad_s**2, complex)


@dataclass(frozen=True, kw_only=True, slots=True)
class Response:
    """Steady vibration of one engine by order and speed.

    Attributes
    ----------
    orders : array, shape (multiples,)
        Vibrations per turn. [-]
    speeds_rad_s : array, shape (speeds,)
        [rad/s]
    angles_rad : array of complex, shape (multiples, speeds, stations)
        x: vibration of a station = Re x exp(j order theta), rolling of the whole shaft included;
        theta from the first cylinder's firing. [rad]
    section_torques_Nm : array of complex, shape (multiples, speeds, sections)
        Torque from each station to the next, damping included. [N m]
    twist_rad : array, shape (multiples, speeds)
        Amplitude of the free end against the driving end. [rad]
    stress_Pa : array, shape (multiples, speeds, sections)
        Amplitude of the nominal shear stress 16 T / (pi d^3); NaN without diameter. [Pa]
    """

    orders: FloatArray
    speeds_rad_s: FloatArray
    angles_rad: ComplexArray
    section_torques_Nm: ComplexArray
    twist_rad: FloatArray
    stress_Pa: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Critical:
    """A speed at which one order meets one natural frequency.

    Natural frequencies are those without damping: a strong viscous damper moves the peaks of the
    amplitude away from here, to what `damped_resonances` gives.

    Attributes
    ----------
    mode : int
        Counted from 1, rigid modes apart. [-]
    order : float
        Vibrations per turn. [-]
    speed_rpm, frequency_Hz : float
        [1/min], [Hz]
    phase_vector_sum : float
        |sum of shape x exp(j phase)| over the cylinders. [-]
    is_major : bool
        Whether all cylinders excite in phase on a rigid crank.
    twist_deg, stress_MPa : float
        Amplitudes of this order at this speed, free end against driving end and worst section;
        NaN when no excitation is known. [deg], [MPa]
    """

    mode: int
    order: float
    speed_rpm: float
    frequency_Hz: float
    phase_vector_sum: float
    is_major: bool
    twist_deg: float
    stress_MPa: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Campbell:
    """Orders over speed, natural frequencies and criticals, as plain arrays for a picture.

    Attributes
    ----------
    speeds_rpm : array, shape (speeds,)
        [1/min]
    orders : array, shape (orders,)
        [-]
    order_frequencies_Hz : array, shape (orders, speeds)
        Rays of the picture. [Hz]
    natural_frequencies_Hz : array, shape (modes,)
        Level lines, up to the highest ray. [Hz]
    is_major : array of bool, shape (orders,)
        Orders in which all cylinders excite in phase on a rigid crank.
    twist_deg : array, shape (orders, speeds)
        Amplitude of the free end against the driving end; NaN without excitation. [deg]
    criticals : tuple of Critical
        Crossings of rays and lines within the range, by falling speed.
    """

    speeds_rpm: FloatArray
    orders: FloatArray
    order_frequencies_Hz: FloatArray
    natural_frequencies_Hz: FloatArray
    is_major: BoolArray
    twist_deg: FloatArray
    criticals: tuple[Critical, ...]


def excitation(
    gas_harmonics_Nm: ArrayLike,
    inertia_harmonics_Nm: ArrayLike | None = None,
    *,
    speed_rad_s: float,
    cycle_deg: float,
    highest_order: float = HIGHEST_ORDER,
) -> Excitation:
    """Return what excites the shaft from harmonics of one cylinder's torque.

    Parameters
    ----------
    gas_harmonics_Nm : array of complex, shape (multiples,)
        c_q from q = 0 on: torque = Re sum c_q exp(j q psi 360 / cycle_deg), the same at every
        speed. [N m]
    inertia_harmonics_Nm : array of complex, shape (multiples,), or None
        The same of the inertia torque at `speed_rad_s`; it grows with speed squared. [N m]
    speed_rad_s : float
        Of the inertia torque. [rad/s]
    cycle_deg : float
        720 or 360. [deg]
    highest_order : float
        Orders above it are left out. [-]

    Raises
    ------
    ValueError
        If the two arrays differ in shape, or no harmonic is left.
    """
    gas = np.atleast_1d(np.asarray(gas_harmonics_Nm, complex))
    inertia = np.zeros_like(gas)
    if inertia_harmonics_Nm is not None:
        inertia = np.atleast_1d(np.asarray(inertia_harmonics_Nm, complex)) / speed_rad_s**2
    if gas.shape != inertia.shape or gas.ndim != 1:
        raise ValueError(f"inertia_harmonics_Nm: got {inertia.shape}; allowed: {gas.shape}")
    n_kept = 1 + len(cycle_multiples(highest_order, cycle_deg))
    kept_gas, kept_inertia = gas[:n_kept], inertia[:n_kept]
    if len(kept_gas) < 2:
        raise ValueError("gas_harmonics_Nm: got no harmonic above the mean; allowed: one or more")
    return Excitation(
        gas_Nm=tuple(kept_gas.tolist()),
        inertia_kgm2=tuple(kept_inertia.tolist()),
        cycle_deg=cycle_deg,
    )


@lru_cache(maxsize=256)
def natural_modes(chain: Chain) -> Modes:
    """Return natural frequencies and shapes without damping, rigid modes left out.

    Parameters
    ----------
    chain : Chain
        A damper counts with its ring and its spring.

    References
    ----------
    K x = omega^2 J x for a free chain: W. T. Thomson, Theory of Vibration with Applications, ch. 12
    (there by Holzer's table); J. P. Den Hartog, Mechanical Vibrations, ch. 4 and 5.

    Examples
    --------
    >>> two_discs = Chain(inertias_kgm2=(1.0, 1.0), stiffnesses_Nm_per_rad=(2.0,),
    ...                   cylinder_stations=(0,))
    >>> natural_modes(two_discs).frequencies_rad_s.round(12)
    array([2.])
    """
    masses = chain.masses_kgm2()
    stiffness = assembled(chain.springs_Nm_per_rad().real.astype(complex)).real
    squares, vectors = scipy.linalg.eigh(stiffness, np.diag(masses))
    swings = squares > _RIGID_SHARE * squares[-1]
    shapes = vectors.T[swings]
    free = shapes[:, chain.free_end]
    largest = np.take_along_axis(shapes, np.abs(shapes).argmax(axis=1)[:, np.newaxis], axis=1)[:, 0]
    is_node = np.abs(free) < _NODE_SHARE * np.abs(largest)
    shapes = shapes / np.where(is_node, largest, free)[:, np.newaxis]
    return Modes(
        frequencies_rad_s=np.sqrt(squares[swings]),
        shapes=shapes,
        inertias_kgm2=(masses * shapes**2).sum(axis=1),
    )


@lru_cache(maxsize=256)
def damped_resonances(chain: Chain) -> Resonances:
    """Return frequencies and magnifiers of what swings in a damped chain.

    Parameters
    ----------
    chain : Chain
        With its damping; what is damped so much that it hardly swings is left out.

    Notes
    -----
    Roots lambda of lambda^2 J + lambda C + K = 0, with complex K for damping within the shaft:
    frequency Im lambda, magnifier |lambda| / (-2 Re lambda).
    """
    masses = chain.masses_kgm2()
    n = len(masses)
    damping = assembled(chain.section_viscosity_Nms_per_rad().astype(complex))
    damping += np.diag(chain.station_viscosity_Nms_per_rad())
    system = np.zeros((2 * n, 2 * n), complex)
    system[:n, n:] = np.eye(n)
    system[n:, :n] = -assembled(chain.springs_Nm_per_rad()) / masses[:, np.newaxis]
    system[n:, n:] = -damping / masses[:, np.newaxis]
    roots = scipy.linalg.eigvals(system)
    # The double root at zero of the rigid mode is found to about 1e-8 of the largest root.
    size = np.abs(roots)
    roots = roots[(roots.imag > 1e-6 * size.max()) & (roots.imag > _SWINGING_SHARE * size)]
    roots = roots[np.argsort(roots.imag)]
    decay = np.maximum(-roots.real, 0)
    # Round-off of the roots of an undamped chain is about 1e-15 of them.
    decay[decay < 1e-12 * np.abs(roots)] = 0
    with np.errstate(divide="ignore"):
        magnifiers = np.abs(roots) / (2 * decay)
    return Resonances(frequencies_rad_s=roots.imag, magnifiers=magnifiers)


def cycle_multiples(highest_order: float, cycle_deg: float) -> IntArray:
    """Return the multiples of a cycle from 1 up to an order.

    Examples
    --------
    >>> cycle_multiples(2.0, 720.0)
    array([1, 2, 3, 4])
    """
    return np.arange(1, math.floor(highest_order * cycle_deg / 360.0 + _ROUND_OFF) + 1)


def orders_of(multiples: IntArray, cycle_deg: float) -> FloatArray:
    """Return the orders of multiples of a cycle, in vibrations per turn. [-]"""
    return multiples.astype(np.float64) * (360.0 / cycle_deg)


def phase_vectors(
    firing_angles_deg: FloatArray,  # (candidates, cylinders)
    shapes: FloatArray,  # (modes, cylinders)
    multiples: IntArray,  # (multiples,)
    *,
    cycle_deg: float,
) -> ComplexArray:  # (candidates, modes, multiples)
    """Return sum of shape x exp(-j q phi 360 / cycle_deg) over the cylinders.

    Parameters
    ----------
    firing_angles_deg : array, shape (candidates, cylinders)
        phi: when each cylinder fires. [deg]
    shapes : array, shape (modes, cylinders)
        Twist of each cylinder's throw; ones for a rigid crank. [-]
    multiples : array of int, shape (multiples,)
        q: multiples of the working cycle; the order is q 360 / cycle_deg. [-]
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array of complex, shape (candidates, modes, multiples)
        `abs` of it is the phase-vector sum. [-]

    Raises
    ------
    ValueError
        If shapes and firing angles have different numbers of cylinders.

    References
    ----------
    J. P. Den Hartog, Mechanical Vibrations, ch. 5 (vector diagrams of a firing order); W. Ker
    Wilson, Practical Solution of Torsional Vibration Problems, vol. 1 (phase-vector sums).

    Examples
    --------
    >>> four = np.array([[0.0, 540.0, 180.0, 360.0]])  # in line, 1-3-4-2
    >>> sums = phase_vectors(four, np.ones((1, 4)), np.array([1, 2, 3, 4]), cycle_deg=720.0)
    >>> np.abs(sums)[0, 0].round(12)
    array([0., 0., 0., 4.])
    """
    n_cylinders = firing_angles_deg.shape[1]
    if shapes.ndim != 2 or shapes.shape[1] != n_cylinders:
        raise ValueError(f"shapes: got {shapes.shape}; allowed: (modes, {n_cylinders})")
    sums = np.empty((len(multiples), len(shapes), len(firing_angles_deg)), complex)
    for row, multiple in enumerate(multiples.tolist()):
        phasors = firing_phasors(firing_angles_deg, multiple, cycle_deg)
        sums[row] = weighted_sums(shapes, phasors)
    return sums.transpose(2, 1, 0)


def is_major(firing_angles_deg: FloatArray, multiples: IntArray, *, cycle_deg: float) -> BoolArray:
    """Return the orders in which all cylinders excite in phase, (candidates, multiples).

    With even firing these are the multiples of half the cylinder count in a four-stroke and of the
    cylinder count in a two-stroke.

    References
    ----------
    J. P. Den Hartog, Mechanical Vibrations, ch. 5.
    """
    n_cylinders = firing_angles_deg.shape[1]
    rigid = np.ones((1, n_cylinders))
    sums = phase_vectors(firing_angles_deg, rigid, multiples, cycle_deg=cycle_deg)
    major: BoolArray = np.abs(sums[:, 0]) > n_cylinders * (1 - 1e-9)
    return major


def critical_speeds(
    frequencies_rad_s: FloatArray, orders: FloatArray, range_rad_s: tuple[float, float]
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return where orders meet natural frequencies within a range of speeds.

    Parameters
    ----------
    frequencies_rad_s : array, shape (modes,)
        [rad/s]
    orders : array, shape (orders,)
        [-]
    range_rad_s : tuple of two float
        Lowest and highest speed, both included. [rad/s]

    Returns
    -------
    tuple of three arrays, each of shape (criticals,)
        Index of the mode, index of the order, speed [rad/s]; by falling speed.

    Examples
    --------
    >>> critical_speeds(np.array([300.0]), np.array([1.0, 2.0, 3.0]), (90.0, 160.0))[2]
    array([150., 100.])
    """
    speeds = frequencies_rad_s[:, np.newaxis] / orders
    low, high = range_rad_s
    modes, columns = np.nonzero((speeds >= low) & (speeds <= high))
    found = speeds[modes, columns]
    falling = np.argsort(-found, kind="stable")
    return modes[falling], columns[falling], found[falling]


def forced_response(
    chain: Chain,
    excited: Excitation,
    firing_angles_deg: FloatArray,
    speeds_rad_s: FloatArray,
) -> Response:
    """Return the steady vibration of one engine by order and speed.

    Parameters
    ----------
    chain : Chain
        With some damping.
    excited : Excitation
        Torque of one cylinder; all are alike but for when they fire.
    firing_angles_deg : array, shape (cylinders,)
        [deg]
    speeds_rad_s : array, shape (speeds,)
        Mean speeds of the crank, above 0. [rad/s]

    Notes
    -----
    (K + j Omega C - Omega^2 J) x = t at Omega = order x speed, solved exactly: no mode is left out
    and any damping is allowed. Twist is the free end against the driving end, so that the rolling
    of the whole shaft does not count.

    Raises
    ------
    InputError
        If nothing damps the chain: a resonance would be infinite.
    """
    orders = excited.orders
    frequencies = np.outer(orders, speeds_rad_s)
    torques = np.zeros((*frequencies.shape, len(chain.masses_kgm2())), complex)
    one_cylinder = excited.at(speeds_rad_s)
    firing = firing_angles_deg[np.newaxis]
    for row, multiple in enumerate(excited.multiples.tolist()):
        phasors = firing_phasors(firing, multiple, excited.cycle_deg)[:, 0]
        for station, phasor in zip(chain.stations_of_cylinders, phasors, strict=True):
            torques[row, :, station] += one_cylinder[row] * phasor
    dynamic, sections = dynamic_stiffness(chain, frequencies)
    angles = np.asarray(np.linalg.solve(dynamic, torques[..., np.newaxis])[..., 0], complex)
    section_torques = sections * np.diff(angles, axis=-1)
    twist = angles[..., chain.free_end] - angles[..., chain.driving_station]
    return Response(
        orders=orders,
        speeds_rad_s=speeds_rad_s,
        angles_rad=angles,
        section_torques_Nm=section_torques,
        twist_rad=np.abs(twist),
        stress_Pa=np.abs(section_torques) / section_moduli_m3(chain),
    )


def modal_twist_rad(
    chain: Chain,
    excited: Excitation,
    firing_angles_deg: FloatArray,
    speeds_rad_s: FloatArray,
) -> FloatArray:
    """Return the twist of the free end by the sum over natural modes, (multiples, speeds). [rad]

    Each mode swings by its own phase vector, with the magnifier of its own damping; what one mode's
    damping does to another is left out, so this is exact for damping within the shaft alone and a
    first look with a strong damper, where `forced_response` is to be believed.

    Parameters
    ----------
    chain, excited, firing_angles_deg, speeds_rad_s
        As in `forced_response`.

    References
    ----------
    W. T. Thomson, Theory of Vibration with Applications, ch. 11 (mode summation).
    """
    modes = natural_modes(chain)
    frequencies = np.outer(excited.orders, speeds_rad_s)
    at_cylinders = modes.shapes[:, chain.stations_of_cylinders]
    vectors = phase_vectors(
        firing_angles_deg[np.newaxis],
        at_cylinders,
        excited.multiples,
        cycle_deg=excited.cycle_deg,
    )[0]
    strain = np.diff(modes.shapes, axis=1) ** 2
    springs = strain @ chain.springs_Nm_per_rad()
    viscous = strain @ chain.section_viscosity_Nms_per_rad()
    viscous += modes.shapes**2 @ chain.station_viscosity_Nms_per_rad()
    ends = modes.shapes[:, chain.free_end] - modes.shapes[:, chain.driving_station]
    total = np.zeros(frequencies.shape, complex)
    for mode, end in enumerate(ends):
        resistance = springs[mode] + 1j * frequencies * viscous[mode]
        resistance -= frequencies**2 * modes.inertias_kgm2[mode]
        total += end * vectors[mode][:, np.newaxis] / resistance
    twist: FloatArray = np.abs(total * excited.at(speeds_rad_s))
    return twist


def criticals(
    chain: Chain,
    firing_angles_deg: FloatArray,
    *,
    cycle_deg: float,
    range_rad_s: tuple[float, float],
    excited: Excitation | None = None,
    highest_order: float = HIGHEST_ORDER,
) -> tuple[Critical, ...]:
    """Return every critical speed of one engine in a range, by falling speed.

    Parameters
    ----------
    chain : Chain
        Damped, if there is an excitation.
    firing_angles_deg : array, shape (cylinders,)
        [deg]
    cycle_deg : float
        720 or 360. [deg]
    range_rad_s : tuple of two float
        Running range. [rad/s]
    excited : Excitation or None
        For the amplitudes; orders above its last one are not listed.
    highest_order : float
        Without an excitation, orders above it are left out. [-]
    """
    multiples = cycle_multiples(highest_order, cycle_deg) if excited is None else excited.multiples
    orders = orders_of(multiples, cycle_deg)
    modes = natural_modes(chain)
    rows, columns, speeds = critical_speeds(modes.frequencies_rad_s, orders, range_rad_s)
    firing = firing_angles_deg[np.newaxis]
    shapes = modes.shapes[:, chain.stations_of_cylinders]
    sums = np.abs(phase_vectors(firing, shapes, multiples, cycle_deg=cycle_deg))[0]
    major = is_major(firing, multiples, cycle_deg=cycle_deg)[0]
    twist_rad = stress_Pa = np.full(len(speeds), np.nan)
    if excited is not None and len(speeds):
        response = forced_response(chain, excited, firing_angles_deg, speeds)
        own = np.arange(len(speeds))
        twist_rad = response.twist_rad[columns, own]
        stress_Pa = _worst_of_known(response.stress_Pa[columns, own])
    return tuple(
        Critical(
            mode=int(row) + 1,
            order=float(orders[column]),
            speed_rpm=rpm_from_rad_s(float(speed)),
            frequency_Hz=float(modes.frequencies_rad_s[row]) / (2 * math.pi),
            phase_vector_sum=float(sums[row, column]),
            is_major=bool(major[column]),
            twist_deg=math.degrees(float(twist)),
            stress_MPa=float(stress) * 1e-6,
        )
        for row, column, speed, twist, stress in zip(
            rows, columns, speeds, twist_rad, stress_Pa, strict=True
        )
    )


def campbell(
    chain: Chain,
    firing_angles_deg: FloatArray,
    *,
    cycle_deg: float,
    range_rad_s: tuple[float, float],
    excited: Excitation | None = None,
    highest_order: float = HIGHEST_ORDER,
    n_speeds: int = 241,
) -> Campbell:
    """Return the data of a Campbell picture of one engine: orders over speed with criticals.

    Parameters
    ----------
    chain, firing_angles_deg, cycle_deg, range_rad_s, excited, highest_order
        As in `criticals`.
    n_speeds : int
        Columns, evenly over the range; with an excitation the resonances are added, so that the
        curves of twist show their peaks. [-]
    """
    multiples = cycle_multiples(highest_order, cycle_deg) if excited is None else excited.multiples
    orders = orders_of(multiples, cycle_deg)
    speeds = np.linspace(*range_rad_s, n_speeds)
    twist_deg = np.full((len(orders), n_speeds), np.nan)
    if excited is not None:
        near = [speeds_around_resonances(chain, order, range_rad_s) for order in orders]
        speeds = np.unique(np.concatenate([speeds, *near]))
        twist_deg = np.rad2deg(forced_response(chain, excited, firing_angles_deg, speeds).twist_rad)
    rays_Hz = np.outer(orders, speeds) / (2 * math.pi)
    natural_Hz = natural_modes(chain).frequencies_rad_s / (2 * math.pi)
    return Campbell(
        speeds_rpm=speeds * rpm_from_rad_s(1.0),
        orders=orders,
        order_frequencies_Hz=rays_Hz,
        natural_frequencies_Hz=natural_Hz[natural_Hz <= rays_Hz.max()],
        is_major=is_major(firing_angles_deg[np.newaxis], multiples, cycle_deg=cycle_deg)[0],
        twist_deg=twist_deg,
        criticals=criticals(
            chain,
            firing_angles_deg,
            cycle_deg=cycle_deg,
            range_rad_s=range_rad_s,
            excited=excited,
            highest_order=highest_order,
        ),
    )


def speeds_around_resonances(
    chain: Chain, order: float, range_rad_s: tuple[float, float]
) -> FloatArray:
    """Return speeds within the range at and beside each resonance of an order. [rad/s]"""
    resonances = damped_resonances(chain)
    half_width = 0.5 / resonances.magnifiers
    steps = 1 + np.outer(half_width, _AROUND_RESONANCE)
    speeds = (resonances.frequencies_rad_s[:, np.newaxis] * steps / order).ravel()
    low, high = range_rad_s
    inside: FloatArray = speeds[(speeds >= low) & (speeds <= high)]
    return inside


def dynamic_stiffness(
    chain: Chain, frequencies_rad_s: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return K + j Omega C - Omega^2 J, (..., stations, stations), and the sections' own part.

    Raises
    ------
    InputError
        If nothing damps the chain.
    """
    if not chain.is_damped:
        raise InputError("magnifier", "no damping", "a finite magnifier, or some damping")
    omega = frequencies_rad_s[..., np.newaxis]
    viscous = 1j * omega * chain.section_viscosity_Nms_per_rad()
    sections = chain.springs_Nm_per_rad() + viscous
    dynamic = assembled(sections)
    each = np.arange(dynamic.shape[-1])
    dynamic[..., each, each] += 1j * omega * chain.station_viscosity_Nms_per_rad()
    dynamic[..., each, each] -= omega**2 * chain.masses_kgm2()
    return dynamic, sections


def section_moduli_m3(chain: Chain) -> FloatArray:
    """Return pi d^3 / 16 of every section, NaN where no diameter is known. [m^3]"""
    moduli: FloatArray = math.pi * chain.section_diameters_m() ** 3 / 16
    return moduli


def firing_phasors(firing_angles_deg: FloatArray, multiple: int, cycle_deg: float) -> ComplexArray:
    """Return exp(-j q phi 360 / cycle_deg), shape (cylinders, candidates)."""
    phases_deg = np.ascontiguousarray(firing_angles_deg.T) * (-multiple * 360.0 / cycle_deg)
    return unit_phasors(phases_deg)


def weighted_sums(weights: FloatArray, phasors: ComplexArray) -> ComplexArray:
    """Return sum weight_ri * phasor_ic, shape (rows, candidates), without BLAS.

    A running sum gives a candidate the same bits alone and in any batch; seen as real numbers,
    even a batch of one keeps two columns, and with them the order of the sum.
    """
    sums = np.einsum("ri,ic->rc", weights, np.ascontiguousarray(phasors).view(np.float64))
    return np.asarray(sums).view(np.complex128)


def _worst_of_known(values: FloatArray) -> FloatArray:
    """Return the largest of each row, NaN only where all are."""
    return np.asarray(np.fmax.reduce(values, axis=-1))
