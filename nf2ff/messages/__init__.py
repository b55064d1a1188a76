"""What users are told: the one error of bad input, and warnings that know their code."""
