"""Row-level security: with every filter of the application taken out, an organisation still sees its own rows alone."""

from datetime import UTC, datetime
from uuid import UUID

import pytest
from sqlalchemy import NullPool, create_engine, func, select, text, update
from sqlalchemy.exc import ProgrammingError

from catchpan.contract.materials import MaterialRequest
from catchpan.contract.profiles import ProfileRequest, Withdrawal
from catchpan.contract.running import RunningReport
from catchpan.contract.sync import ReplicaReport
from catchpan_service import admin
from catchpan_service.store import (
    commissionings,
    corrections,
    fence,
    keys,
    machine_checks,
    machines,
    materials,
    migrations,
    profiles,
    replicas,
    revisions,
    rollouts,
    running,
    webhooks,
)
from catchpan_service.store.database import Order
from catchpan_service.store.errors import Unfenced
from catchpan_service.store.scopes import ADMINISTRATOR, Scope
from catchpan_service.store.tables import metadata
from catchpan_service.store.writes import Written
from tests.store.office import (
    branch,
    check,
    commissioning,
    correction,
    do,
    draft,
    judged,
    machine,
    material,
    profile,
    reply,
    rollout,
    webhook,
)
from tests.store.places import Place

TABLES = metadata.sorted_tables


@pytest.fixture
def place(wiped):
    return wiped


def furnish(database, access):
    """At least one row of the organisation in every table."""
    do(database, access, webhooks.add, webhook())
    subject = profile(database, access)
    for number in (1, 2):
        do(database, access, revisions.add, subject, draft(f"{access.organisation_name} {number}"))
        do(database, access, revisions.release, subject, number, None, "checked")
    do(database, access, corrections.add, correction(subject, 2))
    do(database, access, revisions.withdraw, subject, 1, None, "clumps", Withdrawal.UNSAFE)
    spreader = machine(database, access)
    do(database, access, commissionings.add, spreader, commissioning())
    run = run_by_it(database, access, spreader)
    do(database, access, rollouts.add, rollout(run))
    yard = branch(database, access)
    said = ReplicaReport(epoch=1, position=1, manifest="sha256:" + "0" * 64, exceptions="sha256:" + "0" * 64)
    do(database, access, replicas.report, yard, said)
    order = Order(access, "POST", "a key", "sha256:aa")
    database.write_now(lambda *given: remembered(order, *given), order)


def run_by_it(database, access, spreader):
    """A profile of the machine's own kind, whose first revision it is said to run."""
    kind = database.read_now(machines.get, access.organisation, spreader).machine_kind
    asked = ProfileRequest(material=str(material(database, access)), machine_kind=kind, name="Run")
    subject = UUID(do(database, access, profiles.add, asked).id)
    made = do(database, access, revisions.add, subject, draft(access.organisation_name))
    said = RunningReport(
        profile=str(subject), number=1, digest=made.digest, at=datetime(2026, 3, 2, tzinfo=UTC), by="x", confirmed=True
    )
    do(database, access, running.report, spreader, said)
    do(database, access, machine_checks.add, spreader, check(subject), judged)
    return subject


def remembered(order, connection, organisation, stamp):
    from catchpan_service.store import idempotency

    idempotency.remember(connection, order, reply("x"), stamp.now)
    return Written(None, ())


@pytest.fixture
def both(database, office, other):
    for access in (office, other):
        furnish(database, access)
    return office, other


def owners(connection):
    """Whose rows a query without any condition finds, in every table."""
    return {table.name: set(connection.scalars(select(table.c.organisation))) for table in TABLES}


def test_without_any_filter_a_transaction_finds_its_own_rows_and_no_others(database, place, both):
    with place.outside.connect() as connection:
        everything = owners(connection)
    assert everything == {table.name: {access.organisation for access in both} for table in TABLES}
    for access in both:
        found = database.read_now(lambda connection, _: owners(connection), access.organisation)
        assert found == {table.name: {access.organisation} for table in TABLES}


def seen_by_an_administrator(both):
    everybody = {access.organisation for access in both}
    return {table.name: set() for table in TABLES} | {"organisations": everybody}


@pytest.mark.parametrize(
    "scope", [Scope(), Scope(UUID(int=7)), Scope(presented="0" * 64)], ids=["none", "of nobody", "no key"]
)
def test_who_names_no_organisation_that_there_is_finds_nothing(database, both, scope):
    assert database.read_now_as(scope, owners) == {table.name: set() for table in TABLES}


def test_outside_the_service_the_owner_of_the_tables_sees_what_an_administrator_sees(place, both):
    engine = create_engine(place.place, poolclass=NullPool)
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT tableowner FROM pg_tables WHERE tablename = 'keys'")) == "catchpan_test"
        assert owners(connection) == seen_by_an_administrator(both)


def test_nothing_of_a_transaction_stays_on_its_connection(place, clock, both):
    with place.open(clock, connections=1) as database:
        database.read_now(lambda connection, _: owners(connection), both[0].organisation)
        do(database, both[0], materials.add, MaterialRequest(name="Between"))
        engine = database._engine._engine
        with engine.connect() as connection:
            said = (
                "SELECT current_user, current_setting('catchpan.organisation', true), current_setting('lock_timeout')"
            )
            assert tuple(connection.execute(text(said)).one()) == ("catchpan_test", "", "0")


@pytest.mark.parametrize("table", [table for table in TABLES if table.name not in fence.READ_AND_ADD], ids=str)
def test_a_write_without_a_filter_changes_its_own_rows_only(database, place, both, table):
    ours, theirs = (access.organisation for access in both)

    def touch(connection, organisation, stamp):
        return Written(connection.execute(update(table).values(organisation=table.c.organisation)).rowcount, ())

    count = select(func.count()).select_from(table)
    with place.outside.connect() as connection:
        own = connection.scalar(count.where(table.c.organisation == ours))
        assert connection.scalar(count.where(table.c.organisation == theirs)) >= 1
    assert do(database, both[0], touch) == own


def test_no_row_can_be_put_into_another_organisation(database, place, both):
    def plant(connection, organisation, stamp):
        return materials.add(connection, both[1].organisation, stamp, MaterialRequest(name="planted"))

    before = place.dump()
    with pytest.raises(ProgrammingError, match="violates row-level security policy"):
        do(database, both[0], plant)
    assert place.dump() == before


def test_what_the_audit_chain_holds_cannot_be_changed_or_removed_by_the_service(database, both):
    for statement in ("UPDATE audit SET operation = 'x'", "DELETE FROM audit"):

        def forge(connection, organisation, stamp, statement=statement):
            connection.execute(text(statement))

        with pytest.raises(ProgrammingError, match="permission denied"):
            do(database, both[0], forge)


def test_a_key_that_was_presented_shows_itself_and_its_organisation_and_nothing_else(database, both):
    secret = admin.create_key(database, both[0].organisation_name, "another", role="reader").secret
    presented = keys.hash_of(secret)
    found = database.read_now_as(Scope(presented=presented), owners)
    seen = {table.name: set() for table in TABLES} | {
        name: {both[0].organisation} for name in ("keys", "organisations")
    }
    assert found == seen
    hashes = database.read_now_as(Scope(presented=presented), lambda c: c.scalars(text("SELECT hash FROM keys")).all())
    assert hashes == [presented]


@pytest.mark.parametrize(
    "presented", ["'", "' OR true --", "\\", "\\' OR true --", "0" * 64 + "'; DROP TABLE keys; --"]
)
def test_what_was_presented_is_never_read_as_a_statement(database, both, presented):
    assert database.read_now_as(Scope(presented=presented), owners) == {table.name: set() for table in TABLES}


def test_the_administrator_may_list_organisations_and_see_nothing_else(database, both):
    assert database.read_now_as(ADMINISTRATOR, owners) == seen_by_an_administrator(both)


def test_a_superusers_login_is_bound_by_the_role_that_it_takes_up(server, place, clock, both):
    address = server.address.set(database=place.place.database).render_as_string(hide_password=False)
    with Place(address, place.outside).open(clock) as database:
        found = database.read_now(lambda connection, _: owners(connection), both[0].organisation)
    assert found == {table.name: {both[0].organisation} for table in TABLES}


@pytest.mark.parametrize("role", [fence.TENANT, fence.ADMINISTRATOR])
@pytest.mark.parametrize("power", ["SUPERUSER", "BYPASSRLS"])
def test_a_role_that_passes_the_fence_is_refused_at_the_start(place, role, power):
    place.change(f"ALTER ROLE {role} {power}")
    try:
        with pytest.raises(Unfenced, match="is a superuser or passes row-level security"):
            place.open()
    finally:
        place.change(f"ALTER ROLE {role} NO{power}")
    place.open().close()


@pytest.mark.parametrize("how", ["NO FORCE ROW LEVEL SECURITY", "DISABLE ROW LEVEL SECURITY"])
def test_a_table_without_its_fence_is_refused_at_the_start(own, how):
    own.change(f"ALTER TABLE materials {how}")
    with pytest.raises(Unfenced, match="not forced, for materials"):
        own.open()


def test_an_update_of_every_row_changes_none_silently_while_the_fence_stands(place, both):
    """Why a data migration takes the fence down."""
    engine = create_engine(place.place, poolclass=NullPool)
    before = place.dump()
    with engine.begin() as connection:
        assert connection.execute(text("UPDATE materials SET version = version + 1")).rowcount == 0
    assert place.dump() == before


def test_a_data_migration_reaches_every_row_and_the_fence_stands_again(place, both):
    engine = create_engine(place.place, poolclass=NullPool)
    with engine.begin() as connection:
        with fence.down(connection, "materials"):
            there = connection.scalar(text("SELECT count(*) FROM materials"))
            changed = connection.execute(text("UPDATE materials SET version = version + 1")).rowcount
        assert (there, changed) == (4, 4)
        assert connection.scalar(text("SELECT count(*) FROM materials")) == 0
    assert place.rows("SELECT version FROM materials") == [(2,)] * 4
    place.open().close()


def test_a_data_migration_by_somebody_else_than_the_owner_is_refused(own):
    own.change("ALTER TABLE materials OWNER TO CURRENT_USER")
    with (
        create_engine(own.place, poolclass=NullPool).begin() as connection,
        pytest.raises(ProgrammingError, match="must be owner"),
        fence.down(connection, "materials"),
    ):
        raise AssertionError("the fence is down")


def test_on_a_file_there_is_no_fence_to_take_down(file):
    with file.outside.begin() as connection, fence.down(connection, "materials"):
        assert connection.scalar(text("SELECT count(*) FROM materials")) == 0


@pytest.fixture
def stranger(server):
    """A login that may do nothing but own a database, and that database."""
    name = server.add()
    with server.outside().connect() as connection:
        connection.execute(text("CREATE ROLE catchpan_stranger LOGIN PASSWORD 'catchpan_stranger'"))
        connection.execute(text(f"ALTER DATABASE {name} OWNER TO catchpan_stranger"))
    yield server.login.set(database=name, username="catchpan_stranger", password="catchpan_stranger")
    server.drop(name)
    with server.outside().connect() as connection:
        connection.execute(text("DROP ROLE catchpan_stranger"))


def test_a_login_that_may_not_take_the_roles_up_is_told_what_to_ask_for(server, template, stranger):
    with pytest.raises(Unfenced, match=r"Let an administrator of the server make them .* grant .* to this login"):
        migrations.upgrade(stranger)
    with server.outside().connect() as connection:
        connection.execute(text(f"GRANT {fence.TENANT}, {fence.ADMINISTRATOR} TO catchpan_stranger"))
    migrations.upgrade(stranger)
    Place(stranger.render_as_string(hide_password=False), server.outside(stranger.database)).open(migrate=False).close()


def test_text_is_ordered_by_its_code_points(place):
    found = place.rows("SELECT DISTINCT collation_name FROM information_schema.columns WHERE table_schema = 'public'"
                       " AND data_type = 'character varying' AND table_name <> 'alembic_version'")  # fmt: skip
    assert found == [("C",)]
