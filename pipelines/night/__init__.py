"""One night: plan the inbox, run the stages, sum up, notify; by schedule and through Prefect."""
