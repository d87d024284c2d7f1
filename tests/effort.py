"""How much a run takes upon itself: all of it where the real server is required, which is in CI, else a part."""

import os

REQUIRED = os.environ.get("WAYKEEPER_REQUIRE_REAL_SERVER") == "1"
WHERE = "in CI, or here with WAYKEEPER_REQUIRE_REAL_SERVER=1 make test"
SKIPPED = f"long: runs {WHERE}"

# File, a part of the test's name and the beginning of its parameters, one of them or more. Elsewhere than in CI these
# are skipped, and say so.
LONG = (
    "cli/test_answers_of_orders.py::closed_by_a_slip",
    "cli/test_answers_of_orders.py::is_not_taken_any_more[",
    "cli/test_answers_of_orders.py::recorded_as_taken_and_as_restarted",
    "cli/test_answers_of_orders.py::of_a_withdrawn_plan_asks_to_record",
    "contract/validator/test_agreement.py",
    "contract/test_bulk.py::[real",
    "contract/test_capabilities.py::[real",
    "contract/test_day_kept.py::[real",
    "contract/test_dry_run.py::[real",
    "contract/test_faults.py::[real",
    "contract/test_faults.py::fault_on_the_way[sandbox",
    "contract/test_first_steps.py::[real",
    "contract/test_full_updates.py::[real",
    "contract/test_goldens.py::the_official_validator_accepts",
    "contract/test_issues.py::[real",
    "contract/test_lives.py::",
    "contract/test_medicine_list.py::[real",
    "contract/test_move.py::[real",
    "contract/test_push.py::[real",
    "contract/test_server_crud.py::legal_by_the_official_validator[",
    "contract/test_second_server.py::",
    "contract/test_stories.py::",
    "contract/test_withdrawal.py::[real",
    "contract/test_worked_case.py::at_the_edges[",
    "contract/test_worked_case.py::says_the_same_from_files_and_from_a_server[real",
    "cli/test_bad_inputs.py::the_console_script_says_the_same[history",
    "cli/test_bad_inputs.py::the_console_script_says_the_same[move",
    "cli/test_bad_inputs.py::the_console_script_says_the_same[withdraw",
    "cli/test_closed_day.py::",
    "cli/test_console.py::pipes_get_plain_text[environment1",
    "cli/test_console.py::pipes_get_plain_text[environment2",
    "cli/test_medicines.py::a_hold_that_is_counted_in_hours",
    "cli/test_move_command.py::after_a_move_compile_and_push_go_on",
    "cli/test_move_command.py::withdrawn_with_a_reason",
    "cli/test_public_names.py::can_be_called_whatever_was_imported_first[nothing",
    "cli/test_public_names.py::can_be_called_whatever_was_imported_first[a name",
    "exchange/test_compiling_many.py::records_of_a_server[2",
    "exchange/test_kill.py::",
    "gaps/test_booked_operations.py::a_server_and_its_files",
    "golden/test_plans.py::every_golden_parses",
    "plan/test_compile.py::no_window_ends_before_it_begins[total-hip",
    "plan/test_compile.py::no_window_ends_before_it_begins[total-knee",
    "report/test_pages_in_browser.py::axe_finds_nothing",
    "report/test_pages_in_browser.py::pages_fit_and_are_quiet[call",
    "report/test_pages_in_browser.py::pages_fit_and_are_quiet[letter",
    "report/test_pages_in_browser.py::pages_fit_and_are_quiet[sheet",
    "validate/test_tables.py::every_table_is_rebuilt",
)
# Of these some run everywhere: against the real server a push, the notes of people, a nurse who writes meanwhile, an
# edit that is kept, the trial that leaves no trace, every field of a dry run, and a move; of the faults the commonest.
SHORT = (
    "contract/test_capabilities.py::a_trial_leaves_nothing_behind[real",
    "contract/test_day_kept.py::putting_off_past_the_last_day[real",
    "contract/test_dry_run.py::every_field_that_would_change[real",
    "contract/test_faults.py::fault_on_the_way[sandbox-408 after",
    "contract/test_faults.py::fault_on_the_way[sandbox-409",
    "contract/test_faults.py::fault_on_the_way[sandbox-429",
    "contract/test_faults.py::fault_on_the_way[sandbox-503",
    "contract/test_faults.py::fault_on_the_way[sandbox-cut off",
    "contract/test_faults.py::fault_on_the_way[sandbox-reset",
    "contract/test_full_updates.py::an_edit_between_read_and_write[real",
    "contract/test_move.py::a_booking_is_never_touched_by_a_move[real",
    "contract/test_push.py::creates_the_patient_and_the_plan_once[real",
    "contract/test_push.py::what_people_note_comes_back[real",
    "contract/test_push.py::a_nurse_writes_between[real",
    "contract/test_worked_case.py::at_the_edges_of_the_calendar[sandbox-leap-day",
)
# Files of few tests that take many seconds. They begin, with those of long tests, so that no worker ends with one of
# them alone.
EARLY = (
    "exchange/test_held_back.py",
    "exchange/test_issues_of_many.py",
    "exchange/test_later_calendars.py",
    "exchange/test_misshapen.py",
    "exchange/test_odd_servers.py",
    "exchange/test_partition.py",
    "merge/test_random.py",
    "pathway/test_inclusion.py",
)


def early(nodeid: str) -> bool:
    """Whether the file of a test begins before the short ones."""
    where = nodeid.partition("::")[0]
    return any(where.endswith(f"/{line.partition('::')[0]}") for line in (*LONG, *EARLY))


def named(nodeid: str, lines: tuple[str, ...]) -> bool:
    """Whether a line has the file, the part of the name and the beginning of the parameters of a test."""
    where, _, called = nodeid.partition("::")
    test, _, parameters = called.partition("[")
    for line in lines:
        file, _, rest = line.partition("::")
        name, _, first = rest.partition("[")
        if where.endswith(f"/{file}") and name in test and parameters.startswith(first):
            return True
    return False


def examples(full: int) -> int:
    """How many generated examples of a property are tried: `full` in CI, a quarter elsewhere, never under 10."""
    return full if REQUIRED else min(full, max(10, full // 4))
