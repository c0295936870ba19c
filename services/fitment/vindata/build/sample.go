package build

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"beltwright.example/services/fitment/vindata"
)

// Sample makes VINs from the set's own patterns, one a line, with valid check
// digits and model years that position 7 settles. Every other one takes the next
// maker's identifier in turn, so that rare ones come up too; between them, those
// with many schemas come up more often. The same seed gives the same VINs.
func Sample(set *Set, count int, seed uint64) ([]byte, error) {
	random := rand.New(rand.NewPCG(seed, 565)) //nolint:gosec // a sample that can be made again, not a secret
	var out strings.Builder
	seen := map[string]bool{}
	var busy []WMI
	for _, w := range set.WMIs {
		for range w.Uses {
			busy = append(busy, w)
		}
	}
	if len(busy) == 0 {
		return nil, errors.New("no identifier has a schema")
	}
	for tries := 0; len(seen) < count; tries++ {
		if tries == 200*count {
			return nil, fmt.Errorf("only %d different VINs in %d tries", len(seen), tries)
		}
		w := set.WMIs[tries/2%len(set.WMIs)]
		if tries%2 == 1 {
			w = busy[random.IntN(len(busy))]
		}
		number, ok := draw(set, w, random)
		if ok && !seen[number] {
			seen[number] = true
			out.WriteString(number + "\n")
		}
	}
	return []byte(out.String()), nil
}

const (
	length = 17
	// legal are the characters of a VIN, common those of the year code.
	legal     = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
	yearCodes = "ABCDEFGHJKLMNPRSTVWXY123456789"
	firstYear = 1980
	lastYear  = 2027
	// seven is position 7, which is a letter from the model year 2010 on.
	seven, check, tenth = 6, 8, 9
	turn                = 2010
)

// draw makes one VIN: a model's key first, then as many other keys of the same
// schema as go with it, then chance.
func draw(set *Set, w WMI, random *rand.Rand) (string, bool) {
	if len(w.Uses) == 0 {
		return "", false
	}
	u := w.Uses[random.IntN(len(w.Uses))]
	from, to := max(u.From, firstYear+1), min(u.To, lastYear)
	if u.To == 0 {
		to = lastYear
	}
	patterns := set.Schemas[u.Schema]
	models := slices.DeleteFunc(slices.Clone(patterns), func(p Pattern) bool { return p.Element != vindata.Model })
	if from > to || len(models) == 0 {
		return "", false
	}
	year := from + random.IntN(to-from+1)
	sets := begin(w.Code, year)
	if !narrow(&sets, models[random.IntN(len(models))].Key, random) {
		return "", false
	}
	for _, i := range random.Perm(len(patterns))[:min(len(patterns), 40)] {
		narrow(&sets, patterns[i].Key, random)
	}
	var number [length]byte
	for i, s := range sets {
		number[i] = s[random.IntN(len(s))]
	}
	number[check] = digit(number)
	return string(number[:]), true
}

// begin gives the characters that are possible at each position.
func begin(code string, year int) [length]string {
	var sets [length]string
	for i := range sets {
		sets[i] = legal
		if i >= length-5 {
			sets[i] = legal[len(legal)-10:]
		}
	}
	for i := range 3 {
		sets[i] = code[i : i+1]
	}
	if small := code[3:]; len(small) == 3 {
		sets[11], sets[12], sets[13] = small[:1], small[1:2], small[2:]
	}
	sets[seven] = legal[len(legal)-10:]
	if year >= turn {
		sets[seven] = legal[:len(legal)-10]
	}
	at := (year - firstYear) % len(yearCodes)
	sets[tenth] = yearCodes[at : at+1]
	return sets
}

// narrow restricts the positions to a key, all or none, and then fixes them, so
// that the next key is compared with what was chosen.
func narrow(sets *[length]string, key string, random *rand.Rand) bool {
	next := *sets
	at := 3
	for i := 0; i < len(key); i++ {
		allowed := key[i : i+1]
		if key[i] == '[' {
			end := strings.IndexByte(key[i:], ']')
			if end < 0 {
				return false
			}
			allowed = spread(key[i+1 : i+end])
			i += end
		}
		position := at
		at++
		if allowed == "*" || position == check {
			continue
		}
		if position >= length {
			return false
		}
		left := strings.Map(func(c rune) rune {
			if strings.ContainsRune(allowed, c) {
				return c
			}
			return -1
		}, next[position])
		if left == "" {
			return false
		}
		pick := random.IntN(len(left))
		next[position] = left[pick : pick+1]
	}
	*sets = next
	return true
}

// spread writes a set with ranges in full.
func spread(set string) string {
	var out []byte
	for i := 0; i < len(set); i++ {
		if i+2 < len(set) && set[i+1] == '-' {
			for c := set[i]; c <= set[i+2]; c++ {
				out = append(out, c)
			}
			i += 2
			continue
		}
		out = append(out, set[i])
	}
	slices.Sort(out)
	return string(slices.Compact(out))
}

// digit is the check digit of 49 CFR 565.15(c).
func digit(number [length]byte) byte {
	const letters = "12345678012345070923456789"
	weights := [length]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	sum := 0
	for i, c := range number {
		value := int(c - '0')
		if c >= 'A' {
			value = int(letters[c-'A'] - '0')
		}
		sum += value * weights[i]
	}
	return "0123456789X"[sum%11]
}
