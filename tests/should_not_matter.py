"""Steps about what should not matter to a unit, as tests of steps and of mishaps ask for them."""

LOW_RAILS = """
[[step]]
id = "low"
do = "low_rail"
limit = { at_most = "5 mV" }
"""
OVERLOAD = """
[[step]]
id = "over"
do = "overload"
limit = { at_most = "50 µs" }
[[step]]
id = "after"
do = "overload_after"
of = "over"
limit = { at_most = "5 mV" }
"""
