"""Error numbers and texts of SCPI-99 (volume 2, chapter 21), and the exception that carries one.

The class of a number says which bit of the standard event status register it sets
(IEEE 488.2, 11.5.1.1): −1xx command error (bit 5), −2xx execution error (bit 4),
−3xx and positive numbers device-dependent error (bit 3), −4xx query error (bit 2).
"""

from __future__ import annotations

TEXTS: dict[int, str] = {
    0: "No error",
    # Command errors: the message breaks the syntax, or the header is unknown.
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -160: "Block data error",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    # Execution errors: well formed, but not now or not with this value.
    -200: "Execution error",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -212: "Arm ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -215: "Arm deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -226: "Lists not same length",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -232: "Invalid format",
    -233: "Invalid version",
    -240: "Hardware error",
    -241: "Hardware missing",
    -250: "Mass storage error",
    -260: "Expression error",
    # Device-dependent errors.
    -300: "Device-specific error",
    -310: "System error",
    -311: "Memory error",
    -313: "Calibration memory lost",
    -314: "Save/recall memory lost",
    -315: "Configuration memory lost",
    -320: "Storage fault",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -365: "Time out error",
    # Query errors: the controller broke the message exchange protocol (IEEE 488.2, 6.3).
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}


class ScpiError(Exception):
    """Raised by a command handler (or by the parser) to put one error into the queue.

    Args:
        number: an SCPI error number, e.g. −222; positive numbers are the instrument's own and
            then need ``detail`` as their text.
        detail: device-dependent information, appended to the standard text after a semicolon
            (SCPI-99 volume 2, 21.8.2).
    """

    def __init__(self, number: int, detail: str = "") -> None:
        self.number, self.detail = number, detail
        super().__init__(self.text)

    @property
    def text(self) -> str:
        """The description as the queue shows it: at most 255 characters."""
        standard = TEXTS.get(self.number)
        if standard is None:
            text = self.detail or "Device-specific error"
        else:
            text = f"{standard};{self.detail}" if self.detail else standard
        # A line break inside would end the response in the middle of a string.
        return "".join(c if c.isprintable() else " " for c in text)[:255]


def event_bit(number: int) -> int:
    """The bit *value* of the standard event status register that the error sets."""
    if -199 <= number <= -100:
        return 0x20
    if -299 <= number <= -200:
        return 0x10
    if -499 <= number <= -400:
        return 0x04
    return 0x08
