"""A region of many counties: the flow of one study, tile by tile, over as many machines as there are."""
