package quota

// Working is how many writes are under way.
func (s *Store) Working() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.working
}
