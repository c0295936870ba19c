package server

import (
	"context"
	"log/slog"
	"slices"
	"sync"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/store"
)

// asked finds the evidence requests of a business: those that it asked, which lie
// with the yards, and those that it was asked. It is fed by the search index, and
// as current as that is.
type asked struct {
	log *slog.Logger

	mu      sync.Mutex
	parties map[string]*party
}

// party is what one business asked and was asked.
type party struct {
	items map[string]item
	// order is the names in order; nil where it has to be made anew.
	order []string
	// changes are the items in the order of their changes, each where it changed
	// last and, until tidied, where it changed before.
	changes []item
	// open counts the open ones that the business asked.
	open int
}

// item is what is known of a request without reading it.
type item struct {
	name, listing string
	state         fitmentv1.EvidenceRequest_State
	version       int64
	shop          string
}

func newAsked(log *slog.Logger) *asked { return &asked{log: log, parties: map[string]*party{}} }

// take takes a stored request.
func (a *asked) take(record store.Record) {
	r, err := inquiry.Decode(record.Value)
	if err != nil {
		a.log.ErrorContext(context.Background(), "a stored evidence request cannot be read and is not found", "key", record.Key, "error", err)
		return
	}
	next := item{
		name: inquiry.Name(record.Key.Tenant, record.Key.ID), listing: r.GetListing(), state: r.GetState(),
		version: record.Version, shop: r.GetShop(),
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.of(record.Key.Tenant).put(record.Key.Tenant, next)
	if r.GetShop() != record.Key.Tenant {
		a.of(r.GetShop()).put(r.GetShop(), next)
	}
}

func (a *asked) of(tenant string) *party {
	p := a.parties[tenant]
	if p == nil {
		p = &party{items: map[string]item{}}
		a.parties[tenant] = p
	}
	return p
}

// put notes an item of the business's. Versions only rise.
func (p *party) put(tenant string, next item) {
	old, known := p.items[next.name]
	if !known {
		p.order = nil
	}
	p.open += count(next, tenant) - count(old, tenant)
	p.items[next.name] = next
	p.changes = append(p.changes, next)
	if len(p.changes) > 2*len(p.items)+16 {
		p.changes = slices.DeleteFunc(p.changes, func(i item) bool { return p.items[i.name].version != i.version })
	}
}

// count is 1 for an open request that the business asked.
func count(i item, tenant string) int {
	if i.state == fitmentv1.EvidenceRequest_OPEN && i.shop == tenant {
		return 1
	}
	return 0
}

// open is how many open requests the business has asked.
func (a *asked) open(tenant string) int {
	a.mu.Lock()
	defer a.mu.Unlock()
	if p := a.parties[tenant]; p != nil {
		return p.open
	}
	return 0
}

// names lists at most limit names above after, in order, of those to keep.
func (a *asked) names(tenant, after string, limit int, keep func(item) bool) []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	p := a.parties[tenant]
	if p == nil {
		return nil
	}
	if p.order == nil {
		p.order = make([]string, 0, len(p.items))
		for name := range p.items {
			p.order = append(p.order, name)
		}
		slices.Sort(p.order)
	}
	from, found := slices.BinarySearch(p.order, after)
	if found {
		from++
	}
	var names []string
	for _, name := range p.order[from:] {
		if len(names) == limit {
			break
		}
		if keep(p.items[name]) {
			names = append(names, name)
		}
	}
	return names
}

// since lists, in the order of their changes, the items that changed after a
// version, each where it changed last.
func (a *asked) since(tenant string, version int64) []item {
	a.mu.Lock()
	defer a.mu.Unlock()
	p := a.parties[tenant]
	if p == nil {
		return nil
	}
	from, _ := slices.BinarySearchFunc(p.changes, version+1, func(i item, version int64) int { return int(i.version - version) })
	var news []item
	for _, i := range p.changes[from:] {
		if p.items[i.name].version == i.version {
			news = append(news, i)
		}
	}
	return news
}
