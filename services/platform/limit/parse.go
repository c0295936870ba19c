package limit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Help is what a flag says of a list that ParseRates reads.
const Help = "`list` of calls a second that one credential may make, by class, such as read=200,search=40/300 (300 at once after a rest); a business may make four times that; off for no bounds"

// burstSeconds is how many seconds' worth of calls a burst has where none is said.
const burstSeconds = 5

// off is the list that stands for no bounds.
const off = "off"

// ParseRates reads rates as a flag gives them: CLASS=PER_SECOND or
// CLASS=PER_SECOND/BURST, with commas between. The empty list is the defaults; "off"
// lets everybody ask as fast as they can.
func ParseRates(list string) (map[Class]Speed, error) {
	speeds := map[Class]Speed{}
	if list == off {
		for class := range DefaultRates() {
			speeds[class] = Speed{PerSecond: maxPerSecond, Burst: maxBurst}
		}
		return speeds, nil
	}
	presets := DefaultRates()
	for part := range strings.SplitSeq(list, ",") {
		if part == "" && list == "" {
			break
		}
		name, figures, ok := strings.Cut(part, "=")
		class := Class(name)
		preset, known := presets[class]
		_, twice := speeds[class]
		switch {
		case !ok || !known:
			return nil, fmt.Errorf("%q: expected CLASS=PER_SECOND or CLASS=PER_SECOND/BURST, CLASS being %s", part, classNames())
		case twice:
			return nil, fmt.Errorf("%q: the class %s is there twice", part, class)
		}
		var err error
		if speeds[class], err = parseSpeed(figures, preset); err != nil {
			return nil, fmt.Errorf("%q: %w", part, err)
		}
	}
	return speeds, nil
}

// classNames are the classes that have a rate, for people.
func classNames() string {
	presets := DefaultRates()
	var names []string
	for _, class := range Classes() {
		if _, known := presets[class]; known {
			names = append(names, class.String())
		}
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}

func parseSpeed(figures string, preset Speed) (Speed, error) {
	perSecond, burst, both := strings.Cut(figures, "/")
	speed := preset
	var err error
	if speed.PerSecond, err = strconv.ParseFloat(perSecond, 64); err != nil || math.IsNaN(speed.PerSecond) || speed.PerSecond <= 0 || speed.PerSecond > maxPerSecond {
		return Speed{}, fmt.Errorf("%q is no number of calls a second; expected more than 0 and at most %g", perSecond, maxPerSecond)
	}
	speed.Burst = int(min(max(math.Ceil(speed.PerSecond*burstSeconds), 1), maxBurst))
	if !both {
		return speed, nil
	}
	if speed.Burst, err = strconv.Atoi(burst); err != nil || speed.Burst < 1 || speed.Burst > maxBurst {
		return Speed{}, fmt.Errorf("%q is no number of calls at once; expected 1 to %g", burst, maxBurst)
	}
	return speed, nil
}

// FormatRates writes rates as ParseRates reads them, in the order of their classes.
func FormatRates(speeds map[Class]Speed) string {
	parts := make([]string, 0, len(speeds))
	for class, speed := range speeds {
		parts = append(parts, fmt.Sprintf("%s=%s/%d", class, strconv.FormatFloat(speed.PerSecond, 'g', -1, 64), speed.Burst))
	}
	slices.Sort(parts)
	return strings.Join(parts, ",")
}

// Named makes limits of rates as a flag gives them.
func Named(rates string, observe Observer) (*Limits, error) {
	speeds, err := ParseRates(rates)
	if err != nil {
		return nil, err
	}
	return New(Config{Rates: speeds, Observe: observe})
}
