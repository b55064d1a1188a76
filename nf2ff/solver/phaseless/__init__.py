"""Far field without a phase reference: begin at `reconstruction`."""
