"""The simulator: a plant that can misbehave, a person who answers, rehearsals and trials."""
