"""What the outside figures tell of throw and flight beside their values."""

import numpy as np

from catchpan_service.calibration.drag import drag_coefficient, terminal_velocity

from .values_spreading import FAST, FLOWN, SLOW


def test_drag_falls_up_to_the_reynolds_numbers_where_it_turns():
    rising = np.diff(drag_coefficient([*SLOW, *FLOWN[:-3]]))
    assert (rising < 0).all()
    assert (np.diff(drag_coefficient(FAST)) > 0).all()


def test_measured_fertilisers_fall_somewhat_slower_than_spheres_may():
    """Their sizes and densities are not stated in what was read; 2.5 to 3.5 mm and 1300 to 1800 kg/m³ are usual, and
    real granules, not being smooth spheres, fall somewhat slower than spheres."""
    ours = terminal_velocity(diameter=[[0.0025], [0.0035]], particle_density=[1300.0, 1800.0])
    assert 8.6 < ours.min() < 9.55 < ours.max() < 1.4 * 9.55
