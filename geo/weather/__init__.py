"""Daily weather, normals, reference evapotranspiration."""
