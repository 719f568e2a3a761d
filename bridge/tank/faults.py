"""What can be wrong with a level, as a closed set of ids with a sentence each."""

from enum import Enum


class LevelFault(Enum):
    """A finding about the level sensors; the value is the id in the log, on the hub and in the manual."""

    SENDER_OPEN = "sender-open"
    SENDER_SHORT = "sender-short"
    SENDER_OUT_OF_RANGE = "sender-out-of-range"
    SENDER_MISSING = "sender-missing"
    SWITCH_MISSING = "switch-missing"
    SWITCHES_CONTRADICT = "switches-contradict"
    SENDER_CONTRADICTS_SWITCH = "sender-contradicts-switch"
    SENDER_STUCK = "sender-stuck"

    @property
    def sentence(self) -> str:
        """What was found and what to look at first."""
        return _SENTENCES[self]

    @property
    def is_hint(self) -> bool:
        """True for a suspicion that leaves the level as it is; the others make it less known, or unknown."""
        return self is LevelFault.SENDER_STUCK


_SENTENCES = {
    LevelFault.SENDER_OPEN: (
        "The float sender reads like a broken circuit; the depth is unknown. Check its plug and its cable."
    ),
    LevelFault.SENDER_SHORT: (
        "The float sender reads like a short circuit; the depth is unknown. "
        "Check its cable for crushed insulation and its plug for water."
    ),
    LevelFault.SENDER_OUT_OF_RANGE: (
        "The float sender reads outside its calibration table; the depth is unknown. "
        "Check that the float moves freely and that the table belongs to this sender."
    ),
    LevelFault.SENDER_MISSING: (
        "The configuration has a float sender, but the controller sends no value for it; the depth is "
        "unknown. Check the sender's plug and that the controller is set up for it."
    ),
    LevelFault.SWITCH_MISSING: (
        "The configuration has a level switch that the controller does not report. "
        "Check that the controller is set up for it, or take it out of the configuration."
    ),
    LevelFault.SWITCHES_CONTRADICT: (
        "An upper level switch is wet while a lower one is dry, which no water level can do; the level is "
        "unknown. Check that every float moves freely and that no two switches are swapped."
    ),
    LevelFault.SENDER_CONTRADICTS_SWITCH: (
        "The float sender and a level switch disagree about the level; the level is unknown. Look into the "
        "reservoir, then check the one that is wrong: a float that hangs, or a mark set at the wrong height."
    ),
    LevelFault.SENDER_STUCK: (
        "The float sender has not moved for a long time, or did not move while the water did. "
        "Check that its float is free; if nobody took water, all may be well."
    ),
}
