"""Findings: what a person should look at. A suspicion is computed, stored and shown; it never refuses."""

from catchpan.contract.base import OpenEnum, Wire


class Severity(OpenEnum):
    """How much a finding matters: ``stop`` blocks a release."""

    NOTE = "note"
    LOOK = "look"
    STOP = "stop"


class FindingCode(OpenEnum):
    """The one list of what can be found."""

    PULSING_CATCH = "pulsing_catch"
    CATCH_IN_ANOTHER_UNIT = "catch_in_another_unit"
    ALL_IN_ANOTHER_UNIT = "all_in_another_unit"
    MINUTES_AND_SECONDS = "minutes_and_seconds"
    POUNDS_AND_OUNCES = "pounds_and_ounces"
    OPENINGS_SWAPPED = "openings_swapped"
    BUCKET_NOT_TARED = "bucket_not_tared"
    CLUMP_SUSPECTED = "clump_suspected"
    CATCH_TOO_SMALL = "catch_too_small"
    FLOW_BELOW_REFERENCE = "flow_below_reference"
    LOTS_MIXED = "lots_mixed"
    BAG_LONG_OPEN = "bag_long_open"
    REPEATS_DISAGREE = "repeats_disagree"
    FALLING_FLOW = "falling_flow"
    FORM_DOES_NOT_FIT = "form_does_not_fit"
    SHAPE_NOT_TESTED = "shape_not_tested"
    PARAMETER_AT_BOUND = "parameter_at_bound"
    FIT_NOT_CONVERGED = "fit_not_converged"
    UNSTEADY_ABOVE_STEADY = "unsteady_above_steady"
    GATES_OUT_OF_BALANCE = "gates_out_of_balance"
    GATE_SHARE_ASSUMED = "gate_share_assumed"
    OUTSIDE_CATCHES = "outside_catches"
    ANY_MACHINE_UNKNOWN = "any_machine_unknown"
    ABOVE_LABEL = "above_label"
    END_PAN_NOT_EMPTY = "end_pan_not_empty"
    PATTERN_SKEWED = "pattern_skewed"
    ONE_ROW_ONLY = "one_row_only"
    ROWS_DISAGREE = "rows_disagree"
    MISSING_PAN_FILLED = "missing_pan_filled"
    FEW_PANS = "few_pans"
    NO_SPACING_WITHIN_LIMIT = "no_spacing_within_limit"
    MIDDLE_EMPTY = "middle_empty"
    SIEVES_TOO_FEW = "sieves_too_few"
    BACKLASH = "backlash"
    STOP_MOVED = "stop_moved"
    SPEED_DIFFERS = "speed_differs"
    MACHINE_STANDS_OUT = "machine_stands_out"
    MACHINES_DIFFER = "machines_differ"
    FEW_MACHINES = "few_machines"
    WINDY = "windy"
    RECOVERY_OFF = "recovery_off"
    ROW_TOO_SHORT = "row_too_short"
    PATTERN_OFF_MIDDLE = "pattern_off_middle"
    OUTSIDE_THROWS = "outside_throws"
    THROW_GROWTH_ASSUMED = "throw_growth_assumed"
    THROW_NOT_RISING = "throw_not_rising"
    SIDES_DIFFER = "sides_differ"
    CHECK_RATIOS_DISAGREE = "check_ratios_disagree"
    CHECK_NEEDS_SECOND_OPENING = "check_needs_second_opening"
    CHECK_UNDECIDED = "check_undecided"
    CORRECTION_TOO_LARGE = "correction_too_large"
    FLOW_OR_SPEED_OFF = "flow_or_speed_off"
    DRIVING_OFF = "driving_off"
    LAID_OFF_RATE = "laid_off_rate"
    MACHINE_DRIFTS = "machine_drifts"
    CURVE_BORROWED = "curve_borrowed"
    LOAN_DOUBTFUL = "loan_doubtful"
    NO_CURVE = "no_curve"
    WORK_RATE_OUT_OF_REACH = "work_rate_out_of_reach"
    NO_STAND_OFF = "no_stand_off"
    BEYOND_EDGE = "beyond_edge"
    OVERLAP_OUT_OF_LIMITS = "overlap_out_of_limits"
    SEAM_OUT_OF_LIMITS = "seam_out_of_limits"
    LIGHT_STRIP = "light_strip"
    KEEP_DISTANCE = "keep_distance"
    EDGE_PASS_DOES_NOT_FIT = "edge_pass_does_not_fit"
    OFF_TARGET = "off_target"
    UNDER_DOSED = "under_dosed"
    OVER_DOSED = "over_dosed"
    COARSE_CELL = "coarse_cell"


class Finding(Wire, kw_only=True, frozen=True):
    """One finding: its code, how much it matters, where, what was seen, and what to do."""

    code: FindingCode
    severity: Severity
    where: str
    what: str
    advice: str
