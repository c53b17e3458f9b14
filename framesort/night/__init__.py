"""The walk: calls the rooms in order, carries table and images, computes nothing itself."""
