"""Many parcels: work list, workers, journal, and one table at the end."""
