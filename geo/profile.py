"""The soil profile of the model: four one-foot layers, the depths of a farm sounding, and the surface that dries."""

LAYER_MM = 304.8
N_LAYERS = 4
PROFILE_MM = LAYER_MM * N_LAYERS
LAYER_EDGES_MM = tuple(LAYER_MM * i for i in range(N_LAYERS + 1))
SURFACE_MM = 100.0
