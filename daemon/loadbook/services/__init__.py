"""What runs for years: poller, recorder, all in one."""
