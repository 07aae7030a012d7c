"""The science of Springfill, pure: frames and arrays in, frames and arrays out.

In the order of the flow:

=========================  ==================================================================================
``grid``                   the study grid; soils and climate laid on it
``boundaries``             field polygons, checked and repaired
``soils``                  map unit, component, horizon -> profiles of four one-foot layers
``daily_weather``          daily records: checks, gaps; ``reference_et``, ``weather_generator``, ``freeze`` beside it
``response_units``         each soil profile under each climate, once
``season``                 harvest, seeding, freeze, termination, planting
``parameters``             the agronomist's tables, checked and packed
``balance``                the daily water balance (``balance_season`` > ``balance_cover`` > ``balance_day``)
``outcome``                water left, gaps, shortfall years, cover, frost
``zones``                  tests, zone, limiting factor, margin
``parameter_sets``         how sure that is
``fields``                 exact shares of each zone by field
=========================  ==================================================================================
"""

__version__ = "0.1.0"
