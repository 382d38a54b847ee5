"""The table of faults: what may befall a bench, and the tests that show what then holds.

Of each fault three things are asked: whether the program survived, whether anything was lost
that was already there, and whether anything wrong was shown as good. Each row names the
tests that answer; where a question makes no sense of a fault it stands empty.
"""

from __future__ import annotations

from dataclasses import dataclass

_AUDIO = "tests/audio/test_sound_card_audio.py::"
_RUNS = "tests/audio/test_run_on_real_audio.py::"
_LESSONS = "tests/audio/test_lesson_on_real_audio.py::"
_DUPLEX = "tests/rig/front_ends/test_duplex.py::"
_STREAM = "tests/rig/front_ends/test_sound_stream.py::"
_SLIPS = "tests/rig/run/test_slips.py::"
_BOARD = "tests/rig/front_ends/board/test_board_faults.py::"
_LINK = "tests/rig/front_ends/board/test_board_link.py::"
_FIRMWARE = "tests/rig/front_ends/board/test_board_firmware.py::"
_RECORDING = "tests/rig/files/test_recording.py::"
_PROCESSES = "tests/faults/test_processes.py::"
_DISKS = "tests/faults/test_disks.py::"
_NAMES = "tests/faults/test_names_and_links.py::"
_MARKUP = "tests/faults/test_markup.py::"
_MUTATIONS = "tests/faults/test_mutations.py::"
_SAID_TWICE = "tests/faults/test_said_twice.py::"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One fault, and the tests that answer each question."""

    survived: tuple[str, ...]
    nothing_lost: tuple[str, ...] = ()
    nothing_wrong: tuple[str, ...] = ()


QUESTIONS = ("survived", "nothing_lost", "nothing_wrong")


def _mutated(test: str, *, nothing_wrong: bool = True) -> Row:
    tests = (_MUTATIONS + test,)
    return Row(survived=tests, nothing_wrong=tests if nothing_wrong else ())


_ENDS_WITHIN_3_S = _AUDIO + "test_a_server_that_dies_or_hangs_ends_in_an_error_within_3_s"
_KILLED_SERVER = _RUNS + "test_a_server_killed_in_mid_run_leaves_a_readable_recording"
_KILL = _PROCESSES + "test_a_kill_at_any_moment_leaves_a_readable_recording_or_none"
_SIGNAL = _PROCESSES + "test_a_signal_ends_it_and_leaves_what_was_heard"
_FULL = _DISKS + "test_a_full_disk_is_one_line_and_leaves_nothing_half_written"
_NOWHERE = _NAMES + "test_a_name_that_leads_nowhere_is_refused_in_one_line"

ROWS: dict[str, Row] = {
    "sound server killed": Row(
        survived=(_ENDS_WITHIN_3_S,),
        nothing_lost=(
            _KILLED_SERVER,
            _LESSONS + "test_a_server_killed_in_mid_lesson_leaves_the_sheet_of_what_was_done",
        ),
        nothing_wrong=(_KILLED_SERVER,),
    ),
    "sound server hung": Row(
        survived=(
            _ENDS_WITHIN_3_S,
            _AUDIO + "test_a_server_that_hangs_before_opening_ends_in_an_error_within_3_s",
        ),
    ),
    "sound server restarted": Row(
        survived=(_RUNS + "test_ranges_are_the_worlds_at_each_restart_and_latency",),
        nothing_wrong=(_RUNS + "test_ranges_are_the_worlds_at_each_restart_and_latency",),
    ),
    "sound process killed": Row(
        survived=(
            _AUDIO + "test_a_sound_process_that_is_killed_is_an_error_at_once",
            _AUDIO + "test_a_sound_set_up_that_aborts_the_library_is_an_error",
        ),
    ),
    "sound device gone": Row(
        survived=(
            _AUDIO + "test_a_device_that_vanishes_is_an_error_within_3_s",
            _RUNS + "test_no_device_is_one_line_and_status_1",
        ),
    ),
    "overflow": Row(
        survived=(_DUPLEX + "test_blocks_are_exact_and_flags_land_on_the_pings_that_they_touch",),
        nothing_lost=(_STREAM + "test_samples_that_the_ring_lost_flag_their_block_and_no_other",),
        nothing_wrong=(
            _DUPLEX + "test_blocks_are_exact_and_flags_land_on_the_pings_that_they_touch",
            _AUDIO + "test_a_hiccup_makes_no_wrong_echo_look_good",
        ),
    ),
    "latency jumps": Row(
        survived=(
            _SLIPS + "test_a_slip_that_leaves_the_direct_sound_in_its_block_costs_two_pings",
        ),
        nothing_wrong=(
            _SLIPS + "test_no_slip_of_any_size_anywhere_gives_a_wrong_range",
            _AUDIO + "test_blocks_hold_the_worlds_delays_whatever_the_latency",
        ),
    ),
    "starved processor": Row(
        survived=(_RUNS + "test_under_load_no_wrong_range_is_called_good",),
        nothing_wrong=(_RUNS + "test_under_load_no_wrong_range_is_called_good",),
    ),
    "silence": Row(
        survived=(_AUDIO + "test_silence_from_the_world_is_an_error_that_says_what_to_check",),
    ),
    "kill -9": Row(
        survived=(_KILL,),
        nothing_lost=(_KILL, _RECORDING + "test_a_kill_at_any_moment_loses_at_most_the_last_ping"),
        nothing_wrong=(_KILL,),
    ),
    "SIGINT, SIGTERM, SIGHUP": Row(
        survived=(_SIGNAL,), nothing_lost=(_SIGNAL,), nothing_wrong=(_SIGNAL,)
    ),
    "disk full": Row(
        survived=(
            _FULL,
            _DISKS + "test_a_full_standard_output_is_one_line",
            _RECORDING + "test_a_full_disk_names_file_and_space_and_harms_no_ping",
        ),
        nothing_lost=(
            _DISKS + "test_what_was_there_stays_as_it_was",
            _DISKS + "test_a_run_that_finds_no_room_has_recorded_whole_pings",
            "tests/rig/files/test_whole.py::test_a_file_that_finds_no_room_leaves_all_as_it_was",
        ),
        nothing_wrong=(_FULL,),
    ),
    "torn and cut-off files": Row(
        survived=(_RECORDING + "test_a_meta_file_torn_anywhere_gives_the_pings_before_the_tear",),
        nothing_lost=(
            _RECORDING + "test_a_truncated_data_file_gives_its_whole_pings_and_says_what_is_lost",
            _RECORDING + "test_a_torn_note_costs_no_ping",
        ),
        nothing_wrong=(
            _RECORDING + "test_a_meta_file_torn_anywhere_gives_the_pings_before_the_tear",
        ),
    ),
    "clock set back": Row(
        survived=(_PROCESSES + "test_a_clock_that_is_set_back_changes_no_number",),
        nothing_wrong=(_PROCESSES + "test_a_clock_that_is_set_back_changes_no_number",),
    ),
    "two runs to one name": Row(
        survived=(_PROCESSES + "test_of_two_runs_to_one_name_one_records_and_one_is_told",),
        nothing_lost=(
            _PROCESSES + "test_of_two_runs_to_one_name_one_records_and_one_is_told",
            _RECORDING + "test_an_existing_file_is_never_overwritten",
        ),
        nothing_wrong=(_PROCESSES + "test_of_two_runs_to_one_name_one_records_and_one_is_told",),
    ),
    "no HOME, C locale, 20 columns": Row(
        survived=(_PROCESSES + "test_it_works_with_no_home_in_the_c_locale_on_20_columns",),
        nothing_wrong=(_PROCESSES + "test_it_works_with_no_home_in_the_c_locale_on_20_columns",),
    ),
    "mutated metadata": Row(
        survived=(_MUTATIONS + "test_a_recordings_metadata",),
        nothing_wrong=(_MUTATIONS + "test_a_recordings_pings_are_right_or_refused_or_lost",),
    ),
    "a number changed that is said twice": Row(
        survived=(_SAID_TWICE + "test_no_number_of_a_ping_that_changed_alone_moves_a_range",),
        nothing_wrong=(
            _SAID_TWICE + "test_no_number_of_a_ping_that_changed_alone_moves_a_range",
            _SAID_TWICE + "test_channels_that_plan_and_stream_name_otherwise_are_refused",
            _SAID_TWICE + "test_a_baseline_that_moves_time_zero_from_where_it_was_noted_is_refused",
        ),
    ),
    "a word or number changed of what is said once": Row(
        survived=(_SAID_TWICE + "test_nothing_of_plan_and_stream_changes_alone",),
        nothing_wrong=(
            _SAID_TWICE + "test_nothing_of_plan_and_stream_changes_alone",
            _SAID_TWICE + "test_nothing_of_a_calibration_changes_alone",
        ),
    ),
    "mutated samples": _mutated("test_a_recordings_samples"),
    "mutated plan": _mutated("test_a_plan"),
    "mutated scene": _mutated("test_a_scene"),
    "mutated calibration": _mutated("test_a_calibration"),
    "mutated key": _mutated("test_a_key"),
    "mutated tables (CSV)": Row(
        survived=(
            _MUTATIONS + "test_a_table_of_answers",
            _MUTATIONS + "test_a_table_of_stops",
        ),
    ),
    "mutated change in words": _mutated("test_a_change_in_words"),
    "impossible numbers typed": Row(
        survived=(
            "tests/faults/test_numbers_typed.py::"
            "test_a_number_that_cannot_be_is_one_line_and_status_2",
        ),
    ),
    "mutated WAV and FLAC headers": _mutated("test_a_sound_files_header"),
    "hostile names, sizes and links": Row(
        survived=(_NOWHERE, _NAMES + "test_an_odd_name_is_recorded_to_and_read"),
        nothing_lost=(_NAMES + "test_a_link_in_a_recordings_place_is_not_written_through",),
    ),
    "markup in every text": Row(
        survived=(
            _MARKUP + "test_markup_in_every_text_of_a_recording_and_a_calibration_adds_no_element",
            _MARKUP + "test_a_picture_of_a_recording_with_odd_words_is_drawn",
            _MARKUP + "test_names_of_pupils_do_not_steer_the_terminal",
            "tests/rig/show/report/test_report_markup.py::"
            "test_text_and_attributes_come_back_as_they_were",
        ),
    ),
    "formulae in CSV": Row(survived=(_MARKUP + "test_no_cell_of_a_table_is_a_formula",)),
    "board drops bytes": Row(
        survived=(_BOARD + "test_dropped_bytes_give_no_wrong_range",),
        nothing_wrong=(_BOARD + "test_dropped_bytes_give_no_wrong_range",),
    ),
    "board's line is noisy": Row(
        survived=(
            _BOARD + "test_one_percent_of_bytes_flipped_gives_no_wrong_range",
            _LINK + "test_every_intact_frame_is_found_in_100_000_mutated_streams",
        ),
        nothing_wrong=(_BOARD + "test_one_percent_of_bytes_flipped_gives_no_wrong_range",),
    ),
    "board floods": Row(
        survived=(
            _BOARD + "test_board_that_floods_loses_pings_and_says_so",
            _LINK + "test_memory_stays_within_a_frame_while_a_board_floods",
        ),
        nothing_wrong=(_BOARD + "test_board_that_floods_loses_pings_and_says_so",),
    ),
    "board is reset": Row(
        survived=(_BOARD + "test_reset_in_the_middle_of_a_capture_gives_no_wrong_range",),
        nothing_wrong=(
            _BOARD + "test_reset_in_the_middle_of_a_capture_gives_no_wrong_range",
            _FIRMWARE + "test_watchdog_restarts_a_board_that_hangs_and_the_ping_is_sent_again",
        ),
    ),
    "board unplugged": Row(
        survived=(
            _BOARD + "test_pings_go_on_once_it_is_plugged_in_again",
            _BOARD + "test_board_that_has_gone_for_good_ends_the_run",
        ),
        nothing_wrong=(_BOARD + "test_everything_at_once_gives_no_wrong_range",),
    ),
}
