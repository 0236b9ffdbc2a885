"""A process that saves materials and prints each name once it is acknowledged; to be killed by a test."""

import asyncio
import sys

from catchpan.contract.materials import MaterialRequest
from catchpan_service.store import materials
from catchpan_service.store.database import Database, Order
from tests.store.office import found, open_database, reply


async def save(database: Database, count: int) -> None:
    office = found(database, "Larkmead Grounds")

    async def one(n: int) -> None:
        name = f"Lot {n}"
        await database.write(materials.add, Order(office, "POST", name), MaterialRequest(name=name), reply=reply)
        print(name, flush=True)

    for start in range(0, count, 4):
        await asyncio.gather(*(one(n) for n in range(start, start + 4)))


if __name__ == "__main__":
    with open_database(sys.argv[1]) as opened:
        asyncio.run(save(opened, int(sys.argv[2])))
