"""What the handbook says of its charts."""

from .values_charts import averages


def test_the_ewma_of_the_handbook_stays_in_control():
    found = averages()
    assert ((found.average > found.low) & (found.average < found.high)).all()
