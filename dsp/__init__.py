"""Echo ranging as pure functions: arrays in, arrays or frozen dataclasses out.

Nothing here touches a file, a clock, a device or a screen, and nothing here
imports :mod:`rig`. Units stand in the names; SI throughout.

The public names stand here, as ``dsp.linear_chirp``; "Public names" in ``DEVELOPERS.md`` lists
them by subject. Each is loaded when it is first used. What lies deeper may move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dsp.lazy_names import lazy_names

if TYPE_CHECKING:
    # For type checkers and editors; a name imported as itself is one that is handed on.
    from dsp.history.beam_fits import BeamFit as BeamFit
    from dsp.history.beam_fits import BeamSweep as BeamSweep
    from dsp.history.beam_fits import fit_beam as fit_beam
    from dsp.history.echo_phase import SharpRanges as SharpRanges
    from dsp.history.echo_phase import echo_phasor as echo_phasor
    from dsp.history.echo_phase import sharpened as sharpened
    from dsp.history.known_targets import KnownPaths as KnownPaths
    from dsp.history.known_targets import RingDown as RingDown
    from dsp.history.known_targets import crosstalk as crosstalk
    from dsp.history.known_targets import known_paths as known_paths
    from dsp.history.known_targets import ring_down as ring_down
    from dsp.history.known_targets import source_level_db as source_level_db
    from dsp.history.pair_beams import BeamSetting as BeamSetting
    from dsp.history.pair_beams import far_field_from_m as far_field_from_m
    from dsp.history.pair_beams import pair_pattern as pair_pattern
    from dsp.history.pair_beams import two_way_amplitude as two_way_amplitude
    from dsp.history.passage import Passage as Passage
    from dsp.history.passage import fitted_range_m as fitted_range_m
    from dsp.history.passage import passing_range_m as passing_range_m
    from dsp.history.passes import passage_of as passage_of
    from dsp.history.passes import uncoupled_range_m as uncoupled_range_m
    from dsp.history.pulse_pairs import ClosingSpeed as ClosingSpeed
    from dsp.history.pulse_pairs import closing_speed as closing_speed
    from dsp.history.pulse_pairs import unfolded as unfolded
    from dsp.history.range_filters import Scan as Scan
    from dsp.history.strengths import StrengthRange as StrengthRange
    from dsp.history.strengths import StrengthTerm as StrengthTerm
    from dsp.history.strengths import hard_ball_radius_m as hard_ball_radius_m
    from dsp.history.strengths import strength_range as strength_range
    from dsp.history.strengths import strength_terms as strength_terms
    from dsp.history.strengths import target_strength_db as target_strength_db
    from dsp.history.tracking import Track as Track
    from dsp.history.tracking import tracks_of as tracks_of
    from dsp.physics.absorption import absorption_air_db_m as absorption_air_db_m
    from dsp.physics.absorption import absorption_db_m as absorption_db_m
    from dsp.physics.absorption import absorption_water_db_m as absorption_water_db_m
    from dsp.physics.beams import SIDE_LOBE_DB as SIDE_LOBE_DB
    from dsp.physics.beams import StraightPass as StraightPass
    from dsp.physics.beams import beam_amplitude as beam_amplitude
    from dsp.physics.beams import directivity_index_db as directivity_index_db
    from dsp.physics.beams import first_null_rad as first_null_rad
    from dsp.physics.beams import footprint_diameter_m as footprint_diameter_m
    from dsp.physics.beams import half_power_half_angle_rad as half_power_half_angle_rad
    from dsp.physics.beams import near_field_factor as near_field_factor
    from dsp.physics.beams import near_field_m as near_field_m
    from dsp.physics.beams import straight_pass as straight_pass
    from dsp.physics.doppler import chirp_coupling_s as chirp_coupling_s
    from dsp.physics.doppler import chirp_delay_shift_s as chirp_delay_shift_s
    from dsp.physics.doppler import doppler_shift_hz as doppler_shift_hz
    from dsp.physics.doppler import fastest_speed_m_s as fastest_speed_m_s
    from dsp.physics.impedance import density_kg_m3 as density_kg_m3
    from dsp.physics.impedance import impedance_pa_s_m as impedance_pa_s_m
    from dsp.physics.impedance import pressure_reflection as pressure_reflection
    from dsp.physics.levels import echo_level_db as echo_level_db
    from dsp.physics.levels import energy_to_noise as energy_to_noise
    from dsp.physics.levels import transmission_loss_db as transmission_loss_db
    from dsp.physics.medium import sound_speed_air_m_s as sound_speed_air_m_s
    from dsp.physics.medium import sound_speed_fresh_water_m_s as sound_speed_fresh_water_m_s
    from dsp.physics.medium import sound_speed_m_s as sound_speed_m_s
    from dsp.physics.medium import sound_speed_sea_water_m_s as sound_speed_sea_water_m_s
    from dsp.physics.medium import sound_speed_terms_m_s as sound_speed_terms_m_s
    from dsp.physics.medium import u_sound_speed_m_s as u_sound_speed_m_s
    from dsp.physics.targets import bubble_resonance_hz as bubble_resonance_hz
    from dsp.physics.targets import cylinder_target_strength_db as cylinder_target_strength_db
    from dsp.physics.targets import elastic_sphere_form_function as elastic_sphere_form_function
    from dsp.physics.targets import plate_target_strength_db as plate_target_strength_db
    from dsp.physics.targets import sphere_form_function as sphere_form_function
    from dsp.physics.targets import sphere_target_strength_db as sphere_target_strength_db
    from dsp.ping.first_sound.arrivals import first_arrival as first_arrival
    from dsp.ping.noise.false_alarms import cell_averaging_factor as cell_averaging_factor
    from dsp.ping.noise.false_alarms import ordered_statistic_factor as ordered_statistic_factor
    from dsp.ping.noise.thresholds import cell_averaging_threshold as cell_averaging_threshold
    from dsp.ping.noise.thresholds import ordered_statistic_threshold as ordered_statistic_threshold
    from dsp.ping.pulse.bounds import blind_zone_m as blind_zone_m
    from dsp.ping.pulse.bounds import delay_bound_s as delay_bound_s
    from dsp.ping.pulse.bounds import detection_probability as detection_probability
    from dsp.ping.pulse.bounds import false_alarm_threshold as false_alarm_threshold
    from dsp.ping.pulse.bounds import flat_band_rms_bandwidth_rad_s as flat_band_rms_bandwidth_rad_s
    from dsp.ping.pulse.bounds import longest_range_m as longest_range_m
    from dsp.ping.pulse.bounds import outlier_probability as outlier_probability
    from dsp.ping.pulse.bounds import range_deviation_m as range_deviation_m
    from dsp.ping.pulse.bounds import resolution_m as resolution_m
    from dsp.ping.pulse.compression import PulseCompressor as PulseCompressor
    from dsp.ping.pulse.echo_shape import EchoShape as EchoShape
    from dsp.ping.pulse.equalising import Equalisation as Equalisation
    from dsp.ping.pulse.equalising import Replica as Replica
    from dsp.ping.pulse.equalising import equalisation as equalisation
    from dsp.ping.pulse.equalising import measured_replica as measured_replica
    from dsp.ping.pulse.peaks import Peak as Peak
    from dsp.ping.pulse.profiles import EchoProfile as EchoProfile
    from dsp.ping.pulse.profiles import stacked as stacked
    from dsp.ping.pulse.profiles import stacked_in_turns as stacked_in_turns
    from dsp.ping.pulse.profiles import still_background as still_background
    from dsp.ping.pulse.profiles import without_background as without_background
    from dsp.ping.pulse.pulses import Pulse as Pulse
    from dsp.ping.pulse.pulses import barker13 as barker13
    from dsp.ping.pulse.pulses import golay_codes as golay_codes
    from dsp.ping.pulse.pulses import golay_pair as golay_pair
    from dsp.ping.pulse.pulses import linear_chirp as linear_chirp
    from dsp.ping.pulse.pulses import ringing_burst as ringing_burst
    from dsp.ping.pulse.pulses import taper_window as taper_window
    from dsp.ping.pulse.pulses import tone_burst as tone_burst
    from dsp.ping.ranging import path_from_range_m as path_from_range_m
    from dsp.ping.ranging import range_from_path_m as range_from_path_m
    from dsp.ping.ranging import u_off_axis_m as u_off_axis_m
    from dsp.ping.search.search import find_echoes as find_echoes
    from dsp.ping.slowing import slowed as slowed
    from dsp.uncertainty import Budget as Budget
    from dsp.uncertainty import Input as Input
    from dsp.uncertainty import Term as Term
    from dsp.uncertainty import Trials as Trials
    from dsp.uncertainty import monte_carlo as monte_carlo
    from dsp.uncertainty import numerical_tolerance as numerical_tolerance
    from dsp.uncertainty import propagated as propagated
    from dsp.uncertainty import within as within

_NAMES = {
    "physics.medium": (
        "sound_speed_air_m_s",
        "sound_speed_fresh_water_m_s",
        "sound_speed_m_s",
        "sound_speed_sea_water_m_s",
        "sound_speed_terms_m_s",
        "u_sound_speed_m_s",
    ),
    "physics.absorption": ("absorption_air_db_m", "absorption_db_m", "absorption_water_db_m"),
    "physics.impedance": ("density_kg_m3", "impedance_pa_s_m", "pressure_reflection"),
    "physics.levels": ("echo_level_db", "energy_to_noise", "transmission_loss_db"),
    "physics.doppler": (
        "chirp_coupling_s",
        "chirp_delay_shift_s",
        "doppler_shift_hz",
        "fastest_speed_m_s",
    ),
    "physics.beams": (
        "SIDE_LOBE_DB",
        "StraightPass",
        "beam_amplitude",
        "directivity_index_db",
        "first_null_rad",
        "footprint_diameter_m",
        "half_power_half_angle_rad",
        "near_field_factor",
        "near_field_m",
        "straight_pass",
    ),
    "physics.targets": (
        "bubble_resonance_hz",
        "cylinder_target_strength_db",
        "elastic_sphere_form_function",
        "plate_target_strength_db",
        "sphere_form_function",
        "sphere_target_strength_db",
    ),
    "ping.pulse.pulses": (
        "Pulse",
        "barker13",
        "golay_codes",
        "golay_pair",
        "linear_chirp",
        "ringing_burst",
        "taper_window",
        "tone_burst",
    ),
    "ping.pulse.compression": ("PulseCompressor",),
    "ping.pulse.echo_shape": ("EchoShape",),
    "ping.pulse.equalising": ("Equalisation", "Replica", "equalisation", "measured_replica"),
    "ping.noise.false_alarms": ("cell_averaging_factor", "ordered_statistic_factor"),
    "ping.pulse.profiles": (
        "EchoProfile",
        "stacked",
        "stacked_in_turns",
        "still_background",
        "without_background",
    ),
    "ping.pulse.peaks": ("Peak",),
    "ping.search.search": ("find_echoes",),
    "ping.first_sound.arrivals": ("first_arrival",),
    "ping.ranging": ("path_from_range_m", "range_from_path_m", "u_off_axis_m"),
    "ping.pulse.bounds": (
        "blind_zone_m",
        "delay_bound_s",
        "detection_probability",
        "false_alarm_threshold",
        "flat_band_rms_bandwidth_rad_s",
        "longest_range_m",
        "outlier_probability",
        "range_deviation_m",
        "resolution_m",
    ),
    "ping.slowing": ("slowed",),
    "ping.noise.thresholds": ("cell_averaging_threshold", "ordered_statistic_threshold"),
    "history.range_filters": ("Scan",),
    "history.tracking": ("Track", "tracks_of"),
    "history.passage": ("Passage", "fitted_range_m", "passing_range_m"),
    "history.passes": ("passage_of", "uncoupled_range_m"),
    "history.pulse_pairs": ("ClosingSpeed", "closing_speed", "unfolded"),
    "history.echo_phase": ("SharpRanges", "echo_phasor", "sharpened"),
    "history.beam_fits": ("BeamFit", "BeamSweep", "fit_beam"),
    "history.pair_beams": (
        "BeamSetting",
        "far_field_from_m",
        "pair_pattern",
        "two_way_amplitude",
    ),
    "history.strengths": (
        "StrengthRange",
        "StrengthTerm",
        "hard_ball_radius_m",
        "strength_range",
        "strength_terms",
        "target_strength_db",
    ),
    "history.known_targets": (
        "KnownPaths",
        "RingDown",
        "crosstalk",
        "known_paths",
        "ring_down",
        "source_level_db",
    ),
    "uncertainty": (
        "Budget",
        "Input",
        "Term",
        "Trials",
        "monte_carlo",
        "numerical_tolerance",
        "propagated",
        "within",
    ),
}

_load, __dir__, __all__ = lazy_names(__name__, _NAMES)

if not TYPE_CHECKING:  # to a type checker, a module with this would have any name at all
    __getattr__ = _load
