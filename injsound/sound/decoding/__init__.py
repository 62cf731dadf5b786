"""From a file to chapters of one channel; the only decoders."""
