@pytest.mark.parametrize("disposition", list(Disposition))
def test_a_mistake_on_the_bench_takes_back_an_accept_and_nothing_else(
    disposition: Disposition,
) -> None:
    found, reason = doubted(disposition, "all limits are met", "the sensor has come off")
    accepted = disposition is Disposition.ACCEPT
    assert found is (Disposition.HOLD if accepted else disposition)
    assert ("the sensor has come off" in reason) is accepted
