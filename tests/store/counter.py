"""A process that reads a number in a material's note and writes it back one higher, again and again."""

import sys
from uuid import UUID

from catchpan_service import admin
from catchpan_service.store.writes import local_owner
from tests.store.office import do, open_database
from tests.store.test_faults import add_one

if __name__ == "__main__":
    location, subject, times = sys.argv[1:]
    with open_database(location) as database:
        (office,) = admin.list_organisations(database)
        for _ in range(int(times)):
            do(database, local_owner(office.id, office.name, office.units), add_one, UUID(subject))
