"""Range planning, seeking, advice that is followed, and the torque's limit."""
