"""Catchpan: the SDK of the calibration service for granular broadcast spreaders.

``Catchpan`` and ``AsyncCatchpan`` are the clients, ``catchpan.quantities`` the quantities, ``catchpan.contract`` the
wire types, ``catchpan.errors`` all that is raised.
"""

from catchpan.aclient import AsyncCatchpan
from catchpan.client import Catchpan

__all__ = ["AsyncCatchpan", "Catchpan", "__version__"]
__version__ = "0.1.0"
