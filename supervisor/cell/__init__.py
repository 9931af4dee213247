"""What an integrator declares: cell, stations, places, part types, plans, programs, profiles."""
