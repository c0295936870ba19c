package password

// AtOnce is how many hashes are made at once.
func (h *Hasher) AtOnce() int { return cap(h.making) }
