"""Failures inside the shared contract are told as in a test."""

import pytest

pytest.register_assert_rewrite("contracts.store_contract")
