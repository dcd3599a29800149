"""What all tests share: property tests that are the same every time and never fail for slowness."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "starsize", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("starsize")
