"""What is said of the chain that sets the level."""

from nf2ff.messages.notice import Code


class LevelCode(Code):
    """Sentences of a `LevelChain` beside those of its steps."""

    UNITS = "level: {reading_unit} readings become {response_unit} at the probe's {place}"
    IDLE = "without effect, since no sample belongs to their ports: {steps}"
    PROBE_GAIN = "the probe's own gain belongs to its pattern, and to no step here"
    ANTENNA_FACTOR = "the antenna factor stands in for the probe, whose pattern is not corrected"
