"""The running service keeps what its document says: every check, none excluded (see tests/schemathesis.toml)."""

import tempfile
from pathlib import Path

import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.config import SchemathesisConfig
from uuid_utils.compat import uuid7

from catchpan_service import admin
from catchpan_service.app import create_app
from catchpan_service.settings import Settings

CONFIG = SchemathesisConfig.from_path(Path(__file__).parents[1] / "schemathesis.toml")
FOLDER = tempfile.TemporaryDirectory()
APP = create_app(Settings(database=f"{FOLDER.name}/served.sqlite", log_requests=False))
admin.add_organisation(APP.state.database, "Alder Hollow Grounds", units="us", new_id=uuid7)
KEY = admin.create_key(APP.state.database, "Alder Hollow Grounds", "owner", role="owner").secret
HEADERS = {"Authorization": f"Bearer {KEY}"}
QUIET = {"deadline": None, "suppress_health_check": list(HealthCheck)}


async def served(scope, receive, send):
    """The app, kept open: each client of the tool would start and stop it."""
    if scope["type"] == "http":
        await APP(scope, receive, send)
        return
    for phase in ("startup", "shutdown"):
        await receive()
        await send({"type": f"lifespan.{phase}.complete"})


schema = schemathesis.openapi.from_asgi("/openapi.json", served, config=CONFIG)


@schema.parametrize()
@settings(max_examples=15, **QUIET)
def test_every_operation_answers_as_documented(case):
    case.call_and_validate(headers=HEADERS)


def test_sequences_of_operations_answer_as_documented():
    class Machine(schema.as_state_machine()):
        def get_call_kwargs(self, case):
            return {"headers": HEADERS}

    Machine.run(settings=settings(max_examples=10, stateful_step_count=6, **QUIET))
