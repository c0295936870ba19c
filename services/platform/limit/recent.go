package limit

import "container/list"

// recent is a bounded map that forgets what was used longest ago. It is not safe
// for concurrent use.
type recent[K comparable, V any] struct {
	size  int
	items map[K]*list.Element
	order *list.List // of *item, the latest used first
}

type item[K comparable, V any] struct {
	key   K
	value V
}

func newRecent[K comparable, V any](size int) *recent[K, V] {
	return &recent[K, V]{size: size, items: map[K]*list.Element{}, order: list.New()}
}

// get returns what is kept under a key, and counts as its use.
func (r *recent[K, V]) get(key K) (value V, ok bool) {
	at, ok := r.items[key]
	if !ok {
		return value, false
	}
	r.order.MoveToFront(at)
	return of[K, V](at).value, true
}

// put keeps a value under a key, in place of what was there.
func (r *recent[K, V]) put(key K, value V) {
	if at, ok := r.items[key]; ok {
		of[K, V](at).value = value
		r.order.MoveToFront(at)
		return
	}
	for len(r.items) >= r.size {
		oldest := r.order.Back()
		delete(r.items, of[K, V](oldest).key)
		r.order.Remove(oldest)
	}
	r.items[key] = r.order.PushFront(&item[K, V]{key: key, value: value})
}

func of[K comparable, V any](at *list.Element) *item[K, V] {
	return at.Value.(*item[K, V]) //nolint:forcetypeassert // put is the only one that fills the list
}
