"""``catchpan amounts``: product, bags and cost; hours; a spray boom's flow."""

from cyclopts import App

from catchpan.cli.arguments import ALength, AMass, AnArea, ARate, ARatio, ASpeed, AVolume
from catchpan.cli.connection import Common
from catchpan.cli.printing import number, put, put_json, put_table, told
from catchpan.contract.amounts import AmountsRequest, BoomFlowRequest, Guarantee, Nutrient, WorkRateRequest

app = App(name="amounts", help="Product, bags and cost; hours; a spray boom's flow.", help_format="plaintext")
_DEFAULT = Common()


@app.command
def product(
    *,
    area: AnArea,
    rate: ARate | None = None,
    nutrient: Nutrient | None = None,
    nutrient_rate: ARate | None = None,
    nitrogen: ARatio | None = None,
    phosphate: ARatio | None = None,
    potash: ARatio | None = None,
    bag: AMass | None = None,
    bag_price: float | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Work out product, bags, cost and nutrients for an area.

    Example: catchpan amounts product --area "1 ac" --nutrient nitrogen --nutrient-rate "0.75 lb/1000ft2"
    --nitrogen "24 %" --bag "50 lb"

    Parameters
    ----------
    area
        The area to cover.
    rate
        Rate of product.
    nutrient
        In place of a rate: nitrogen, phosphate, potash, magnesia, lime or sulphate.
    nutrient_rate
        Rate of that nutrient.
    nitrogen
        Share of nitrogen on the bag.
    phosphate
        Share of phosphate on the bag.
    potash
        Share of potash on the bag.
    bag
        Mass of a bag.
    bag_price
        Price of a bag, in any currency.
    """
    request = AmountsRequest(
        area=area,
        analysis=Guarantee(nitrogen=nitrogen, phosphate=phosphate, potash=potash),
        rate=rate,
        nutrient=nutrient,
        nutrient_rate=nutrient_rate,
        bag=bag,
        bag_price=bag_price,
    )
    with common.client() as client:
        answer = client.amounts(request)
    if common.json:
        put_json(answer)
        return
    put(f"Rate of product  {told(answer.rate)}")
    put(f"For {told(area)}  {told(answer.mass)}")
    if answer.bags is not None:
        put(f"Bags             {number(answer.bags)}, so open {answer.whole_bags}")
    if answer.cost is not None:
        put(f"Cost             {answer.cost:.2f}")
    if answer.nutrients:
        put()
        put_table(
            ["nutrient", "rate", "mass"], [[one.name, told(one.rate), told(one.mass)] for one in answer.nutrients]
        )
    put("\nThe label's rate is a legal limit, and local rules may set a lower one.")


@app.command
def hours(
    *,
    width: ALength,
    speed: ASpeed,
    efficiency: ARatio,
    area: AnArea | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Work out the area done in an hour, and the time for an area.

    Example: catchpan amounts hours --width "11 ft" --speed "3.5 mph" --efficiency "70 %" --area "6 ac"

    Parameters
    ----------
    width
        Pass spacing.
    speed
        Ground speed.
    efficiency
        Share of the time that is spent laying.
    area
        The area to cover.
    """
    with common.client() as client:
        answer = client.work_rate(WorkRateRequest(width=width, speed=speed, efficiency=efficiency, area=area))
    if common.json:
        put_json(answer)
        return
    put(
        f"{told(answer.area_each_hour)} in an hour"
        + ("" if answer.time is None else f"; {told(answer.time, 3)} for {told(area)}")
    )


@app.command
def boom(
    *,
    volume: AVolume,
    area: AnArea,
    pass_spacing: ALength,
    speed: ASpeed,
    nozzle_spacing: ALength | None = None,
    common: Common = _DEFAULT,
) -> None:
    """Work out what a spray boom must give on the same pass spacing and speed.

    Example: catchpan amounts boom --volume "40 gal" --area "1 ac" --pass-spacing "11 ft" --speed "3.5 mph"

    Parameters
    ----------
    volume
        Volume to lay on the area.
    area
        The area that it is for.
    pass_spacing
        The spreader's pass spacing.
    speed
        Ground speed.
    nozzle_spacing
        Distance between nozzles.
    """
    request = BoomFlowRequest(
        volume=volume, area=area, pass_spacing=pass_spacing, speed=speed, nozzle_spacing=nozzle_spacing
    )
    with common.client() as client:
        answer = client.boom_flow(request)
    if common.json:
        put_json(answer)
        return
    nozzle = "" if answer.nozzle_each_minute is None else f", one nozzle {told(answer.nozzle_each_minute, 3)}"
    put(f"the boom {told(answer.boom_each_minute, 3)} in a minute{nozzle}")
