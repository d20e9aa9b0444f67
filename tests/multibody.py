"""Reference dynamics of a crank mechanism, resolved by the multibody engine MuJoCo.

The mechanism is built from bodies, joints and loop-closing constraints, and is turned through one
revolution by time integration at its actual speed; the wrench on the ground is read from sensors
between the block and the world.  No piston-motion formula, series or phasor enters the dynamics,
so the result is independent of the formulas that it serves to check.  Geometry alone (where a line
meets a circle) places the parts in the first instant.

Axes: the model's x axis points up, y to the right and z from the free end towards the driving end,
as seen from the free end.  This triad is right-handed, a positive turn about z is clockwise as
seen, and a transverse vector is therefore simply the complex number ``x + 1j * y``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import mujoco
import numpy as np
from numpy.typing import NDArray

# Integration steps of one turn, at least.
_MIN_STEPS_PER_TURN = 1440

# MuJoCo closes a loop with a critically damped spring.  Within a step the integrator's stages leave
# the closed loop by an amount that no finer step removes: the spring answers with a spurious
# acceleration that falls with the fourth power of its time constant in steps.  The error of a slow
# spring grows with the square of its share of the turn.  The sum is least near this value: about
# 1e-6 of m * r * w**2.
_LOOP_TIME_CONSTANT_STEPS = 16

# Steps before crank angle zero, in which the springs settle from the unstressed initial state.
_WARM_UP_STEPS = 20 * _LOOP_TIME_CONSTANT_STEPS

# The flywheel's inertia over the sum of m * r**2: the speed stays constant to about its inverse.
_FLYWHEEL_RATIO = 1e7

# Wrist-pin mass is shared between rod and piston, since a moving body needs inertia of its own.
_ROD_SHARE_OF_RECIPROCATING = 0.5

# Radius of the spheres that stand for point masses, over the crank radius.  Their rotary inertia
# takes no part in the transverse forces at constant crank speed.
_SPHERE_OVER_CRANK_RADIUS = 1e-3

# Limits beyond which a run is rejected instead of being compared with anything.
_MAX_ANGLE_ERROR_RAD = 1e-5
_MAX_GAP_OVER_CRANK_RADIUS = 1e-5


@dataclass(frozen=True, kw_only=True, slots=True)
class Mechanism:
    """Crank mechanism with two-point-mass rods, all cylinders alike.

    Angles stand in the transverse plane seen from the free end, zero being up and growing in the
    direction of rotation.  The tuples have one entry per cylinder.

    Attributes
    ----------
    crank_radius_m, rod_length_m : float
        Crank radius and distance between the rod's eyes [m].
    pin_path_offset_m : float
        Lateral offset of the wrist pin's path from the crank axis [m], positive towards the bank
        angle plus 90 degrees (that is, in the direction of rotation).
    reciprocating_mass_kg, rotating_mass_kg : float
        Point mass at each wrist pin, and at each crankpin per cylinder [kg].
    speed_rad_s : float
        Constant crank speed [rad/s].
    pin_angles_deg : tuple of float
        Angle of the cylinder's crankpin at crank angle zero [deg].
    bank_angles_deg : tuple of float
        Direction of the cylinder's bank axis, from the crank centre to the head [deg].
    positions_m : tuple of float
        Axial position, growing from the free end towards the driving end [m].
    """

    crank_radius_m: float
    rod_length_m: float
    pin_path_offset_m: float
    reciprocating_mass_kg: float
    rotating_mass_kg: float
    speed_rad_s: float
    pin_angles_deg: tuple[float, ...]
    bank_angles_deg: tuple[float, ...]
    positions_m: tuple[float, ...]

    def __post_init__(self) -> None:
        n_cylinders = len(self.pin_angles_deg)
        if not n_cylinders == len(self.bank_angles_deg) == len(self.positions_m):
            raise ValueError("pin angles, bank angles and positions differ in number")
        if n_cylinders == 0:
            raise ValueError("a mechanism needs at least one cylinder")
        if min(self.crank_radius_m, self.reciprocating_mass_kg, self.speed_rad_s) <= 0.0:
            raise ValueError("crank radius, reciprocating mass and speed must be positive")
        if self.rotating_mass_kg < 0.0:
            raise ValueError("the rotating mass must not be negative")
        if self.rod_length_m <= self.crank_radius_m + abs(self.pin_path_offset_m):
            raise ValueError("the rod is too short to let the crank turn")


def ground_wrench(
    mechanism: Mechanism,
    n_samples: int = 360,
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.complex128]]:
    """Inertia force and couple that the moving parts exert on the ground over one turn.

    Gravity is off.  The couple is the sum of axial position times transverse force about axial
    position zero; it is not the moment vector, which stands at right angles to it.

    Parameters
    ----------
    mechanism : Mechanism
        The crank mechanism and its speed.
    n_samples : int
        Number of crank angles at which the wrench is read.

    Returns
    -------
    theta_rad : ndarray of float, shape (n_samples,)
        Crank angles, equally spaced over one turn from zero, end point excluded [rad].
    force : ndarray of complex, shape (n_samples,)
        Transverse force on the ground, real part up and imaginary part to the right [N].
    couple : ndarray of complex, shape (n_samples,)
        Axial moment sum of the transverse forces in the same plane [N m].

    Raises
    ------
    ValueError
        If `n_samples` is not positive.
    RuntimeError
        If the crank leaves its constant speed or a wrist pin its rod.
    """
    if n_samples < 1:
        raise ValueError("n_samples must be positive")
    steps_per_sample = math.ceil(_MIN_STEPS_PER_TURN / n_samples)
    step_rad = 2.0 * math.pi / (n_samples * steps_per_sample)

    # A step is a fraction of the turn, which makes the accuracy independent of speed.
    model = _build(mechanism, timestep=step_rad / mechanism.speed_rad_s)
    data = mujoco.MjData(model)
    _assemble(mechanism, model, data, theta=-_WARM_UP_STEPS * step_rad)
    mujoco.mj_step(model, data, nstep=_WARM_UP_STEPS)

    theta = 2.0 * math.pi * np.arange(n_samples, dtype=np.float64) / n_samples
    wrench = np.empty((n_samples, 6))
    for k in range(n_samples):
        # After a step the sensors still belong to the state before it.
        mujoco.mj_forward(model, data)
        _check_state(mechanism, model, data, float(theta[k]))
        wrench[k] = data.sensordata
        mujoco.mj_step(model, data, nstep=steps_per_sample)

    # The sensors give the action of the ground on the block, hence the minus.  With the forces in
    # the transverse plane, the moment of a force f at position s is (-s * f_y, s * f_x), so the
    # sum of s * f is m_y - 1j * m_x.
    force = -(wrench[:, 0] + 1j * wrench[:, 1])
    couple = -(wrench[:, 4] - 1j * wrench[:, 3])
    return theta, force, couple


def _build(mechanism: Mechanism, timestep: float) -> mujoco.MjModel:
    """Model with one crank, and per cylinder a hinged rod and a piston that slides in the block."""
    m = mechanism
    spec = mujoco.MjSpec()
    spec.option.timestep = timestep
    spec.option.gravity = [0.0, 0.0, 0.0]
    # The default integrator's first order would need far smaller steps.
    spec.option.integrator = mujoco.mjtIntegrator.mjINT_RK4
    spec.option.disableflags = mujoco.mjtDisableBit.mjDSBL_CONTACT
    # The solver scales its tolerance with the mean inertia, which the flywheel inflates.
    spec.option.tolerance = 0.0

    block = spec.worldbody.add_body(name="block")
    block.add_site(name="ground")
    for sensor in (mujoco.mjtSensor.mjSENS_FORCE, mujoco.mjtSensor.mjSENS_TORQUE):
        spec.add_sensor(
            name=sensor.name, type=sensor, objtype=mujoco.mjtObj.mjOBJ_SITE, objname="ground"
        )

    # A flywheel centred on the axis holds the speed and adds nothing to transverse forces.
    mass = m.reciprocating_mass_kg + m.rotating_mass_kg
    inertia = _FLYWHEEL_RATIO * len(m.positions_m) * mass * m.crank_radius_m**2
    crank = block.add_body(
        name="crank", explicitinertial=True, mass=mass, inertia=[inertia / 2, inertia / 2, inertia]
    )
    crank.add_joint(name="crank", type=mujoco.mjtJoint.mjJNT_HINGE, axis=[0.0, 0.0, 1.0])

    sphere = {
        "type": mujoco.mjtGeom.mjGEOM_SPHERE,
        "size": [_SPHERE_OVER_CRANK_RADIUS * m.crank_radius_m, 0.0, 0.0],
    }
    rod_share = _ROD_SHARE_OF_RECIPROCATING * m.reciprocating_mass_kg
    cylinders = zip(m.pin_angles_deg, m.bank_angles_deg, m.positions_m, strict=True)
    for i, (pin_deg, bank_deg, position) in enumerate(cylinders):
        pin = _unit(pin_deg) * m.crank_radius_m
        bank = _unit(bank_deg)

        small_end = [m.rod_length_m, 0.0, 0.0]
        rod = crank.add_body(name=f"rod{i}", pos=[pin.real, pin.imag, position])
        rod.add_joint(name=f"rod{i}", type=mujoco.mjtJoint.mjJNT_HINGE, axis=[0.0, 0.0, 1.0])
        rod.add_geom(mass=m.rotating_mass_kg, **sphere)
        rod.add_geom(pos=small_end, mass=rod_share, **sphere)
        rod.add_site(name=f"rod{i}", pos=small_end)

        # At slide coordinate zero the wrist pin stands abreast of the crank axis.
        path = bank * 1j * m.pin_path_offset_m
        piston = block.add_body(name=f"piston{i}", pos=[path.real, path.imag, position])
        piston.add_joint(
            name=f"piston{i}",
            type=mujoco.mjtJoint.mjJNT_SLIDE,
            axis=[bank.real, bank.imag, 0.0],
        )
        piston.add_geom(mass=m.reciprocating_mass_kg - rod_share, **sphere)
        piston.add_site(name=f"piston{i}")

        closure = spec.add_equality(
            type=mujoco.mjtEq.mjEQ_CONNECT,
            objtype=mujoco.mjtObj.mjOBJ_SITE,
            name1=f"rod{i}",
            name2=f"piston{i}",
        )
        closure.solref[:] = [_LOOP_TIME_CONSTANT_STEPS * timestep, 1.0]
        # Constant impedance at MuJoCo's upper limit: the stiffest constraint it can express.
        closure.solimp[:] = [0.9999, 0.9999, 1e-3, 0.5, 2.0]
    return spec.compile()


def _assemble(
    mechanism: Mechanism, model: mujoco.MjModel, data: mujoco.MjData, theta: float
) -> None:
    """Put the parts together at crank angle `theta` and give them compatible velocities."""
    m = mechanism
    data.joint("crank").qpos = theta
    cylinders = zip(m.pin_angles_deg, m.bank_angles_deg, strict=True)
    for i, (pin_deg, bank_deg) in enumerate(cylinders):
        # In the frame of the bank, where the path is parallel to the real axis: the wrist pin is
        # the path's outer intersection with the circle about the crankpin.
        pin = m.crank_radius_m * _unit(pin_deg - bank_deg + math.degrees(theta))
        lateral = m.pin_path_offset_m - pin.imag
        rod = complex(math.sqrt(m.rod_length_m**2 - lateral**2), lateral)
        data.joint(f"piston{i}").qpos = (pin + rod).real
        # The rod's hinge angle counts from the crank's frame, which has turned by theta.
        data.joint(f"rod{i}").qpos = math.atan2(rod.imag, rod.real) + math.radians(bank_deg) - theta
    mujoco.mj_kinematics(model, data)
    mujoco.mj_comPos(model, data)

    # Velocities that keep the loops closed, from MuJoCo's own Jacobians.  Nothing moves axially, so
    # two equations per cylinder settle its two joint speeds.
    gaps = np.concatenate(
        [
            (_site_jacobian(model, data, f"rod{i}") - _site_jacobian(model, data, f"piston{i}"))[:2]
            for i in range(len(m.positions_m))
        ]
    )
    driving = model.joint("crank").dofadr[0]
    driven = np.arange(model.nv) != driving
    data.qvel[driving] = m.speed_rad_s
    data.qvel[driven] = np.linalg.solve(gaps[:, driven], -gaps[:, driving] * m.speed_rad_s)


def _site_jacobian(model: mujoco.MjModel, data: mujoco.MjData, name: str) -> NDArray[np.float64]:
    """Jacobian of the site's velocity, shape (3, nv)."""
    jacobian = np.zeros((3, model.nv))
    mujoco.mj_jacSite(model, data, jacobian, None, model.site(name).id)
    return jacobian


def _check_state(
    mechanism: Mechanism, model: mujoco.MjModel, data: mujoco.MjData, theta: float
) -> None:
    """Raise if the crank is not at `theta` or a loop has opened: the wrench would be void."""
    angle_error = abs(float(data.joint("crank").qpos[0]) - theta)
    gap = max(
        float(np.linalg.norm(data.site(f"rod{i}").xpos - data.site(f"piston{i}").xpos))
        for i in range(len(mechanism.positions_m))
    )
    # Written so that a NaN fails as well.
    if not angle_error <= _MAX_ANGLE_ERROR_RAD:
        raise RuntimeError(f"the crank is {angle_error:.1e} rad off its angle at constant speed")
    if not gap <= _MAX_GAP_OVER_CRANK_RADIUS * mechanism.crank_radius_m:
        raise RuntimeError(f"a wrist pin is {gap:.1e} m away from its rod")


def _unit(angle_deg: float) -> complex:
    """Unit vector in the transverse plane."""
    return complex(math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg)))
