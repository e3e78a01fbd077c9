"""Quantities in the words of an owner, and the words of a complaint that are about them."""

from __future__ import annotations

from typing import NamedTuple


class Plain(NamedTuple):
    """A quantity as an owner understands it."""

    words: str
    why: str


#: in the order of the sheet: what an owner can hear or feel first
OWNERS_WORDS = {
    "output_power": Plain("Output power", "how loud it plays before it distorts"),
    "dc_offset": Plain(
        "Steady voltage at the speaker terminals",
        "it would heat a loudspeaker; nearly nothing is good",
    ),
    "noise": Plain("Noise at the speaker terminals", "what hisses or hums without music"),
    "hum": Plain("Hum", "what hums without music"),
    "signal_to_noise": Plain("Music against noise", "how far noise stays below the music"),
    "thd": Plain("Distortion", "what the amplifier adds to the music"),
    "thd_n": Plain("Distortion and noise", "what the amplifier adds to the music"),
    "flatness": Plain("Evenness of tone", "whether bass and treble are as loud as the middle"),
    "channel_separation": Plain("Channel separation", "how well left and right stay apart"),
    "channel_balance": Plain("Balance", "whether left and right are equally loud"),
    "sink_rise": Plain("Warmth of the heatsink", "above the room, after long playing"),
    "idle_current": Plain("Current at rest", "too little distorts, too much overheats"),
    "idle_drift": Plain("Current at rest, more of it when warm", "it must settle"),
    "current_sharing": Plain(
        "Sharing between the output transistors", "none may do the work of another"
    ),
    "stage_share": Plain("Sharing between the power stages", "none may do the work of another"),
    "burst_rate": Plain("Crackling", "bursts of noise without music"),
    "upper_corner": Plain("Treble", "up to where the treble reaches"),
    "gain": Plain("Amplification", "whether it plays as loud as it should"),
    "relay_delay": Plain("Switching on", "how long until the loudspeakers are connected"),
    "source_impedance": Plain("Contacts to the loudspeaker", "burnt contacts take power"),
    "drop_out_rate": Plain("Sound without gaps", "a contact may let go for a moment"),
    "crackle_rate": Plain("Crackling while it plays", "what crackles is about to fail"),
    "noise_driven": Plain("Noise while it plays", "what hisses or buzzes with the music"),
    "hum_driven": Plain("Hum while it plays", "what hums with the music"),
    "burst_thd": Plain("Loud passages", "whether they are as clean as a steady tone"),
    "stray": Plain("Stability", "what oscillates unheard heats amplifier and loudspeakers"),
    "stray_capacitive": Plain(
        "Stability with a long loudspeaker cable", "a cable is a capacitor across the terminals"
    ),
    "thump": Plain("Thump when switched on and off", "it strains a loudspeaker's cone"),
    "just_on_change": Plain(
        "The same again when switched on", "some faults are there for the first minute alone"
    ),
    "relay_chatter": Plain("Relays that stay closed", "one that chatters burns its contacts"),
    "beside_other": Plain("A silent channel beside a loud one", "it stays silent"),
    "gain_with_level": Plain("As loud as it is turned up", "what is loud is not held back"),
    "overload_sticks": Plain("Turned up too far", "how it behaves where it can give no more"),
    "overload_change": Plain("After it was turned up too far", "it plays on as before at once"),
    "low_rail_change": Plain("Low mains voltage", "it plays as well where the mains are weak"),
    "first_tone_lost": Plain(
        "Quiet sound at once", "a tired contact stays silent until it is played louder"
    ),
    "hold_up": Plain("Reserve of its supply", "tired capacitors let it hum and give way"),
    "protection_opens": Plain(
        "Protection of the loudspeakers", "whether it disconnects them from DC"
    ),
}
#: words in a complaint, and the quantities that are about it
COMPLAINTS = {
    "burst_rate": ("crackl", "pop", "rustl", "sizzl", "noise", "noisy"),
    "noise": ("hiss", "noise", "noisy", "crackl", "rustl"),
    "hum": ("hum", "buzz"),
    "sink_rise": ("hot", "warm", "heat", "smell"),
    "idle_current": ("hot", "warm", "heat", "smell"),
    "output_power": ("quiet", "weak", "power", "loud", "distort"),
    "gain": ("quiet", "channel", "volume", "loud"),
    "channel_balance": ("balance", "channel", "side"),
    "thd": ("distort", "harsh", "rough", "scratch"),
    "upper_corner": ("treble", "dull", "muffled"),
    "flatness": ("treble", "bass", "dull", "muffled", "tone"),
    "dc_offset": ("thump", "cone", "protect", "dc", "dead"),
    "relay_delay": ("relay", "protect", "switch on", "click", "dead"),
    "source_impedance": ("contact", "drop", "relay", "intermittent"),
    "drop_out_rate": ("drop", "gap", "cuts out", "intermittent", "relay"),
    "crackle_rate": ("crackl", "pop", "rustl", "sizzl"),
    "hum_driven": ("hum", "buzz"),
    "thump": ("thump", "switch on", "switch off"),
    "first_tone_lost": ("silent", "dead", "channel", "louder", "turned up", "relay", "cuts out"),
}
