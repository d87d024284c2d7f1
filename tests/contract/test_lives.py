"""Random lives of one plan, on both servers; the real one gets fewer steps."""

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from contract.lives import Life
from contract.test_stories import form_of

EXAMPLES = {"sandbox": (6, 12), "real": (2, 8)}  # how many lives, of how many steps


def test_whatever_happens_in_a_life(server):
    examples, steps = EXAMPLES[server.name]
    told = {"base": server.base, "form": form_of(server)}
    run_state_machine_as_test(
        type("LifeOnServer", (Life,), told),
        settings=settings(
            max_examples=examples, stateful_step_count=steps, deadline=None, database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip
