package limit

// Remembered is how many entries limits hold.
func Remembered(l *Limits) int {
	n := len(l.Doors.wrong.items) + len(l.Doors.passed.items)
	for _, known := range l.Rates.buckets {
		n += len(known.items)
	}
	return n
}
