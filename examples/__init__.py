"""Example cases, shipped as data: invented scenarios to start from."""
