package keys

// Waiting is how many uses wait to be noted.
func (s *Store) Waiting() int { return len(s.uses) }
