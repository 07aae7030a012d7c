"""The science of Springfill, pure: frames and arrays in, frames and arrays out.

In the order of the flow; each imports only from those above it:

================  ==============================================================================
``geo.weather``   daily records checked and completed, reference evapotranspiration, generated years
``geo.soils``     map unit, component, horizon -> profiles of four one-foot layers
``geo.ground``    the study grid, fields, slopes, and each soil profile under each climate once
``geo.balance``   the daily water balance, its parameters and how uncertain they are
``geo.rating``    outcomes, tests, zones, and the shares of each zone by field
================  ==============================================================================

Beside them: ``errors``, ``options`` (the four options), ``season`` (dates of a season), ``rule_table`` and
``model_rules`` (values from the shared tables).
"""

__version__ = "0.1.0"
