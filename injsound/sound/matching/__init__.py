"""Each due event: was the tick there, when, and were the engine's other sounds."""
