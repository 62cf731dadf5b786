"""From a file to the injector's ticks: decoding, quality, onsets, cycle lock, ticks, jitter."""
