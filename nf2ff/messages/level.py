"""What is said of the chain that sets the level."""

from nf2ff.messages.notice import Code


class LevelCode(Code):
    """Sentences of a `LevelChain` beside those of its steps."""

    UNITS = "level: {reading_unit} readings become {response_unit} at the probe's {place}"
    IDLE = "of no effect, as no sample is of their ports: {steps}"
    PROBE_GAIN = "the probe's own gain is part of its pattern and of no step here"
    ANTENNA_FACTOR = "the antenna factor stands for the probe, whose pattern is not corrected"
