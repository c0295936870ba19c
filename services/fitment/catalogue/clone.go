package catalogue

import (
	"maps"
	"slices"
)

// Clone is a catalogue that holds the same records and changes apart from this
// one. The records themselves are shared: they never change. It only reads, so
// others may read meanwhile; it costs time and room with the number of records.
func (c *Catalogue) Clone() *Catalogue {
	return &Catalogue{
		parts:         maps.Clone(c.parts),
		byNumber:      cloneIndex(c.byNumber),
		byUse:         cloneIndex(c.byUse),
		supersessions: maps.Clone(c.supersessions),
		byOld:         cloneIndex(c.byOld),
		byNew:         cloneIndex(c.byNew),
		recalls:       maps.Clone(c.recalls),
		named:         cloneIndex(c.named),

		recallsByNumber: cloneIndex(c.recallsByNumber),
		recallsOfAll:    cloneIndex(c.recallsOfAll),
		recallsOfSome:   cloneIndex(c.recallsOfSome),
		recallsPut:      c.recallsPut,

		vehicleData:    maps.Clone(c.vehicleData),
		vehiclesByMake: cloneIndex(c.vehiclesByMake),
	}
}

// cloneIndex also copies the lists, which change in place.
func cloneIndex[K comparable, R any](index map[K][]R) map[K][]R {
	clone := make(map[K][]R, len(index))
	for k, records := range index {
		clone[k] = slices.Clone(records)
	}
	return clone
}
