"""How the engine turns: which cycle, how long each, recordings over one crank."""
