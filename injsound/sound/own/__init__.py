"""Which of the clicks in a cycle is the tick of the injector under the probe."""
