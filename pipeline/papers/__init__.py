"""What people read: job ticket, proof, night report."""
