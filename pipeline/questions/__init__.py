"""Lists that a practice works from: who is due, what an instrument touched, what lies in stock."""
