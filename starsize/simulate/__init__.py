"""Simulated frames with known truth, drawn by physics of its own."""

from .blur import Blur, smeared, star_blur
from .curve import (
    frame_best_focus,
    frame_radius_px,
    half_flux_radius_px,
    true_best_focus,
    true_curve,
)
from .exposure import Pointing, Shot, draw_exposure, expected_light, place_stars, star_field
from .focuser import FocuserPhysics, camera_places
from .frame_file import write_frame
from .headers import HeaderStyle
from .lens import Group, Lens, refractive_index
from .lenses import LENSES
from .night import (
    DrawnFrame,
    Night,
    draw_night,
    draw_planned,
    simulate_night,
    simulate_sweep,
)
from .plan import NightPlan
from .planned import planned_night, planned_scene
from .plate import FilterPlate, band_samples, dye_plates, usual_plate
from .points import PointsPlan, RadiusTable, SweepPoints, draw_points, tabulate_radii
from .pupil import Pupil
from .scenario import Scenario
from .scenarios import SCENARIOS, seven_plates
from .scene import Scene, Sensor, Sky, StarField
from .stamp import StarStamp, add_stars, star_stamp
from .truth import NightTruth, SweepTruth
from .write import (
    setup_text,
    truth_text,
    write_night,
    write_planned_night,
    write_practice_night,
)
