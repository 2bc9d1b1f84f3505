"""The dashboard: reads the store and the ledger, asks the recorder over MQTT when something must change."""
