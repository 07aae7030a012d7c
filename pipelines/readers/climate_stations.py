"""placeholder replaced below"""

from pipelines.readers.climate_build import ClimateInput


def read_tables(files, **k) -> ClimateInput:
    raise NotImplementedError
