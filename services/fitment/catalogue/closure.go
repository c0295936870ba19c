package catalogue

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// Supersession is directed, conditional and may go round in circles: A is replaced
// by B and B by A on other conditions. So numbers are never merged beforehand.
// For one vehicle the conditions are evaluated first, each to yes, no or unknown;
// what is left is a small plain graph, and a number replaces another where a way
// leads from the older to the newer one of which every step holds.
//
// A way of known steps proves it. Where there is only a way with unknown steps,
// everything that decides those and is not known of the vehicle is tried: every
// stretch of model years and build dates that the conditions tell apart, every
// market and plant that they name and another one, every option both ways. The
// answer is what all of these agree on: it may be that one way or another holds
// whatever the vehicle is, or that no vehicle goes the whole way.

// Bounds on one question. Whatever lies beyond is Unknown, with a reason. (A choice
// of this project: makers replace a number a few times, not hundreds of times.)
const (
	maxNumbers = 1000
	maxSteps   = 5000
	maxWorlds  = 4096
	maxTries   = 1 << 18 // steps looked at in all completions together
)

// Why an answer is Unknown beside what is not known of the vehicle.
const (
	tooWide = "more than %d numbers or %d supersessions follow from it, and the rest was not looked at"
	tooOpen = "its supersessions depend on more that is not known of the vehicle than can be tried"
)

// walk is the part of the supersessions that leads on from where a question starts
// and is not excluded for a vehicle.
type walk struct {
	vehicle *fitmentv1.Vehicle
	nodes   []node
	at      map[partKey]int32
	steps   []step
	// looked are all supersessions that were looked at, excluded ones too.
	looked []*link
	// cut says why the walk ended early, and open why not all completions were
	// tried; empty otherwise.
	cut, open string
}

// node is a number on the walk.
type node struct {
	key partKey
	// seed is Yes or Unknown where the walk starts, otherwise No.
	seed evidence.Answer
	// place is whether the number's part has the kind and position asked for, Yes
	// or Unknown.
	place evidence.Answer
	// out are the steps that lead on.
	out []int32
	// answer is whether a way leads here, of at least one step.
	answer evidence.Answer
	// part is the catalogue's, nil where it has none.
	part *fitmentv1.Part
}

// step is one supersession on the walk.
type step struct {
	*fitmentv1.Supersession

	from, to int32
	// holds is Yes or Unknown.
	holds evidence.Answer
	// waits are the things about the vehicle that an unknown step depends on;
	// stuck is set where it cannot be known whatever the vehicle is.
	waits []wait
	stuck bool
}

// start is where a walk begins.
type start struct {
	key  partKey
	seed evidence.Answer
}

// walkFrom follows supersessions for a vehicle. Numbers of which place says No are
// not entered.
func (c *Catalogue) walkFrom(starts []start, vehicle *fitmentv1.Vehicle, place func(partKey) evidence.Answer) *walk {
	w := &walk{vehicle: vehicle, at: make(map[partKey]int32, len(starts))}
	defer w.conclude()
	for _, s := range starts {
		w.enter(s.key, s.seed, evidence.Yes)
	}
	at := 0
	for at < len(w.nodes) { // which grow on the way
		w.nodes[at].part = c.parts[w.nodes[at].key]
		for _, s := range c.stepsFrom(w.nodes[at].key) {
			w.looked = append(w.looked, s)
			if len(w.steps) >= maxSteps || len(w.nodes) >= maxNumbers {
				w.cut = fmt.Sprintf(tooWide, maxNumbers, maxSteps)
				return w
			}
			w.follow(int32(at), s, place)
		}
		at++
	}
	return w
}

// follow adds a step unless it is excluded.
func (w *walk) follow(from int32, s *link, place func(partKey) evidence.Answer) {
	holds, fits := Holds(s.Supersession, w.vehicle), place(s.newer)
	if holds == evidence.No || fits == evidence.No {
		return
	}
	to := w.enter(s.newer, evidence.No, fits)
	w.nodes[to].place = fits
	w.nodes[from].out = append(w.nodes[from].out, int32(len(w.steps)))
	w.steps = append(w.steps, step{Supersession: s.Supersession, from: from, to: to, holds: holds})
}

// enter finds or adds a node.
func (w *walk) enter(key partKey, seed, place evidence.Answer) int32 {
	if i, known := w.at[key]; known {
		return i
	}
	i := int32(len(w.nodes))
	w.at[key] = i
	w.nodes = append(w.nodes, node{key: key, seed: seed, place: place, answer: evidence.No})
	return i
}

// link is a supersession with the key of what it leads to.
type link struct {
	*fitmentv1.Supersession

	newer partKey
}

// stepsFrom lists what replaces a number, in an order that does not depend on when
// it was put in.
func (c *Catalogue) stepsFrom(key partKey) []*link {
	links := c.byOld[key]
	if len(links) < 2 {
		return links
	}
	return slices.SortedStableFunc(slices.Values(links), func(a, b *link) int {
		if order := strings.Compare(a.newer.number, b.newer.number); order != 0 {
			return order
		}
		return compareLinks(a, b)
	})
}

// view says which steps of a walk count.
type view struct {
	// unsure lets in what cannot be known: starts, places and stuck steps.
	unsure bool
	// holds tells whether an unknown step counts.
	holds func(*step) bool
}

// reach follows the steps that count, nearest numbers first, and notes for each
// number that is reached the step that led there; -1 for the others.
func (w *walk) reach(v view) (by []int32) {
	by = make([]int32, len(w.nodes))
	queue := make([]int32, 0, len(w.nodes))
	started := make([]bool, len(w.nodes))
	for i := range w.nodes {
		by[i] = -1
		if seed := w.nodes[i].seed; seed == evidence.Yes || (v.unsure && seed == evidence.Unknown) {
			queue, started[i] = append(queue, int32(i)), true
		}
	}
	for at := 0; at < len(queue); at++ {
		for _, s := range w.nodes[queue[at]].out {
			one := &w.steps[s]
			if by[one.to] >= 0 || (!v.unsure && w.nodes[one.to].place != evidence.Yes) || (one.holds != evidence.Yes && !v.holds(one)) {
				continue
			}
			by[one.to] = s
			if !started[one.to] {
				queue, started[one.to] = append(queue, one.to), true
			}
		}
	}
	return by
}

func never(*step) bool  { return false }
func always(*step) bool { return true }

// conclude answers for every number of the walk.
func (w *walk) conclude() {
	known := w.reach(view{holds: never})
	possible := w.reach(view{unsure: true, holds: always})
	open := 0
	for i := range w.nodes {
		switch {
		case known[i] >= 0:
			w.nodes[i].answer = evidence.Yes
		case possible[i] >= 0:
			w.nodes[i].answer = evidence.Unknown
			open++
		case w.cut != "":
			w.nodes[i].answer = evidence.Unknown
		}
	}
	if open > 0 {
		w.complete()
	}
}

// way lists the steps from a start to a number: the shortest one that is known,
// otherwise the shortest that is possible.
func (w *walk) way(to int32, known, possible []int32) []*step {
	by, started := possible, func(seed evidence.Answer) bool { return seed != evidence.No }
	if known[to] >= 0 {
		by, started = known, func(seed evidence.Answer) bool { return seed == evidence.Yes }
	}
	var steps []*step
	for {
		one := &w.steps[by[to]]
		steps = append(steps, one)
		if to = one.from; started(w.nodes[to].seed) {
			slices.Reverse(steps)
			return steps
		}
	}
}

// Replacements are the numbers that may be fitted where one number belongs, for
// one vehicle.
type Replacements struct{ walk *walk }

// Replacements follows a number's supersessions over any number of steps.
func (c *Catalogue) Replacements(maker, oldNumber string, vehicle *fitmentv1.Vehicle) Replacements {
	older, ok := key(maker, oldNumber)
	if !ok || len(c.byOld[older]) == 0 {
		return Replacements{}
	}
	anywhere := func(partKey) evidence.Answer { return evidence.Yes }
	return Replacements{c.walkFrom([]start{{older, evidence.Yes}}, vehicle, anywhere)}
}

// Answer tells whether a number of the same maker replaces the old one. Where the
// supersessions are too many to be followed to their end, the answer for a number
// that was not proven to is Unknown.
func (r Replacements) Answer(newNumber string) evidence.Answer {
	number, err := NumberKey(newNumber)
	if r.walk == nil || err != nil {
		return evidence.No
	}
	i, found := r.walk.at[partKey{r.walk.nodes[0].key.maker, number}]
	switch {
	case found:
		return r.walk.nodes[i].answer
	case r.walk.cut != "":
		return evidence.Unknown
	default:
		return evidence.No
	}
}

// Numbers lists the keys of the numbers that replace the old one or may, in order.
// Cut tells whether there may be more.
func (r Replacements) Numbers() []string {
	if r.walk == nil {
		return nil
	}
	var list []string
	for i := range r.walk.nodes {
		if one := &r.walk.nodes[i]; one.answer != evidence.No {
			list = append(list, one.key.number)
		}
	}
	slices.Sort(list)
	return list
}

// Cut says why not all supersessions could be followed; empty where they were.
func (r Replacements) Cut() string {
	if r.walk == nil {
		return ""
	}
	return r.walk.cut
}

// ReplacedBy lists the keys of the numbers that replace a number or may, whoever
// made it, in order.
func (c *Catalogue) ReplacedBy(number string, vehicle *fitmentv1.Vehicle) []string {
	k, err := NumberKey(number)
	if err != nil {
		return nil
	}
	var list []string
	makers := slices.Sorted(slices.Values(c.named[k]))
	for _, maker := range slices.Compact(makers) {
		list = append(list, c.Replacements(maker, k, vehicle).Numbers()...)
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// Replaces tells whether a number replaces another of the same maker for a
// vehicle, over any number of steps: No where no way leads from the old number to
// the new one for it. A number replaces itself only where a way leads back to it.
// See Replacements where several numbers are asked about.
func (c *Catalogue) Replaces(maker, newNumber, oldNumber string, vehicle *fitmentv1.Vehicle) evidence.Answer {
	return c.Replacements(maker, oldNumber, vehicle).Answer(newNumber)
}
