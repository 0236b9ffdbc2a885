"""Writes the OpenAPI document: ``python -m catchpan_service.publish openapi/catchpan.json``."""

import sys
from pathlib import Path

from catchpan_service.app import EXAMPLES, HANDLERS
from catchpan_service.document import document, encoded
from catchpan_service.routes.asking import DEPENDENCIES

if __name__ == "__main__":
    Path(sys.argv[1]).write_bytes(encoded(document(HANDLERS, DEPENDENCIES, EXAMPLES)))
