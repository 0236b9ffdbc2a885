"""``catchpan material``: materials, as bagged."""

from cyclopts import App

from catchpan.cli.arguments import AMass, ARate, ARatio
from catchpan.cli.connection import Common
from catchpan.cli.lookup import by_name
from catchpan.cli.printing import put, put_json, put_table, say, told
from catchpan.contract.materials import Analysis, Material, MaterialRequest, Nature

app = App(name="material", help="Materials, as bagged.", help_format="plaintext")
_DEFAULT = Common()


@app.command
def add(
    name: str,
    /,
    *,
    maker: str = "",
    nature: Nature = "fertiliser",
    nitrogen: ARatio | None = None,
    phosphate: ARatio | None = None,
    potash: ARatio | None = None,
    bag: AMass | None = None,
    label_highest_rate: ARate | None = None,
    label_yearly_limit: ARate | None = None,
    pesticide: bool = False,
    note: str = "",
    dry_run: bool = False,
    common: Common = _DEFAULT,
) -> None:
    """Add a material.

    Example: catchpan material add "Hollow Green 24-0-11" --bag "50 lb" --label-highest-rate "4.2 lb/1000ft2"

    Parameters
    ----------
    name
        What the material is called here.
    maker
        Who makes it: the same product of another maker flows differently.
    nature
        fertiliser, seed, soil_amendment, ice_melt or other.
    nitrogen
        Share of nitrogen on the bag, such as "24 %".
    phosphate
        Share of phosphate on the bag.
    potash
        Share of potash on the bag.
    bag
        Mass of a bag.
    label_highest_rate
        The most that the label allows at once.
    label_yearly_limit
        The most that the label allows in a year.
    pesticide
        The material is a pesticide, or holds one: licence and label rules apply.
    note
        Anything worth knowing.
    dry_run
        Say what would happen, and store nothing.
    """
    shares = (nitrogen, phosphate, potash)
    analysis = None if shares == (None, None, None) else Analysis(nitrogen=nitrogen, phosphate=phosphate, potash=potash)
    request = MaterialRequest(
        name=name,
        maker=maker,
        nature=nature,
        analysis=analysis,
        bag=bag,
        label_highest_rate=label_highest_rate,
        label_yearly_limit=label_yearly_limit,
        pesticide=pesticide,
        note=note,
    )
    with common.client(stores=True) as client:
        made = client.add_material(request, dry_run=dry_run)
    say("nothing stored: this was a dry run" if dry_run else f"added {made.name}")
    _print([made], common)


@app.command(name="list")
def list_(*, common: Common = _DEFAULT) -> None:
    """List the materials.

    Example: catchpan material list
    """
    with common.client(stores=True) as client:
        _print(list(client.all_materials()), common)


@app.command
def show(name: str, /, *, common: Common = _DEFAULT) -> None:
    """Show one material.

    Example: catchpan material show "Hollow Green 24-0-11"

    Parameters
    ----------
    name
        Its name or id.
    """
    with common.client(stores=True) as client:
        found = by_name("material", name, client.all_materials)
    if common.json:
        put_json(found)
        return
    put(f"{found.name}   {found.nature.replace('_', ' ')}{f', made by {found.maker}' if found.maker else ''}")
    put(f"  bag            {told(found.bag)}")
    put(f"  label          at most {told(found.label_highest_rate)} at once, {told(found.label_yearly_limit)} a year")
    if found.pesticide:
        put("  a pesticide: licence, label and re-entry rules apply; catches go back into the labelled bag")
    if found.note:
        put(f"  {found.note}")
    put(f"  id             {found.id}, version {found.version}")


def _print(found: list[Material], common: Common) -> None:
    if common.json:
        put_json(found)
        return
    rows = [
        [one.name, one.nature.replace("_", " "), one.maker or "-", told(one.bag), told(one.label_highest_rate)]
        for one in found
    ]
    put_table(["material", "nature", "maker", "bag", "label: at most"], rows)
