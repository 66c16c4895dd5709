"""What a person who answers for vehicles has to know first: what is due, what needs them, what
happened since they last looked."""
