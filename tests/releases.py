"""What an office does to its released profiles, over HTTP, and what is read of its feed."""

from uuid import UUID

from catchpan_service.store.database import Order
from catchpan_service.store.writes import local_owner
from tests.scenario import example, season


def slug(answer):
    """The kind of a problem."""
    return answer.json()["type"].removeprefix("/problems/")


def release(web, ours, number=1, **provisionally):
    how = "release-provisionally" if provisionally else "release"
    path = f"/v1/profiles/{ours.profile}/revisions/{number}/{how}"
    return web.made("POST", path, example("releaseRevision") | provisionally, If_Match="*")


def draft(web, ours, note):
    body = example("addRevision") | {"note": note}
    body["content"] = body["content"] | {"note": note}
    return web.made("POST", f"/v1/profiles/{ours.profile}/revisions", body)["number"]


def walk(web, after=None, *, limit=200, key="owner", branch=None):
    """Every change after a cursor, page by page, and the cursor at the end."""
    items = []
    while True:
        query = f"/v1/changes?limit={limit}" + (f"&after={after}" if after else "")
        page = web.made("GET", query + (f"&branch={branch}" if branch else ""), key=key)
        items += page["items"]
        after = page["next"]
        if not page["more"]:
            return items, page


def withdraw(web, ours, number):
    path = f"/v1/profiles/{ours.profile}/revisions/{number}/withdraw"
    return web.made("POST", path, example("withdrawRevision"), If_Match="*")


def busy_season(web):
    """Releases, withdrawals, and a provisional revision at one branch; the cursors between them."""
    one, other = season(web, name="one "), season(web, name="other ")
    places = []

    def look():
        places.append(walk(web)[1]["next"])

    look()
    release(web, one)
    look()
    release(web, other, branch=web.branch, days=3)
    draft(web, one, "better")
    look()
    release(web, one, 2)
    release(web, other)
    look()
    withdraw(web, one, 2)
    look()
    return one, other, places


def write(web, function, *args):
    """Run a store function as somebody does who works on the database itself."""
    told = web.made("GET", "/v1/organisation")
    order = Order(local_owner(UUID(told["id"]), told["name"], "us"), "test")
    return web.app.state.database.write_now(function, order, *args)
