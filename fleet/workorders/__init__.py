"""From due services to work done, recorded and followed up."""
