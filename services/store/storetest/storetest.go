// Package storetest is the suite that every store adapter passes: one test for
// each promise in package store, and a random run against a plain model.
package storetest

import (
	"context"
	"testing"
	"time"

	"beltwright.example/services/store"
)

// Opener opens an empty store on the given clock. Reopen closes the store and
// opens the same one again. The opener arranges for the last one to be closed at
// the end of the test.
type Opener func(t *testing.T, now func() time.Time) (s store.Store, reopen func() store.Store)

// Run runs the suite.
func Run(t *testing.T, open Opener) {
	t.Helper()
	tests := []struct {
		name string
		run  func(t *testing.T, f *fixture)
	}{
		{"GetReturnsWhatWasPut", getReturnsWhatWasPut},
		{"RecordsTellTheirForm", recordsTellTheirForm},
		{"BytesBelongToTheCaller", bytesBelongToTheCaller},
		{"TenantsAreApart", tenantsAreApart},
		{"ListIsInByteOrder", listIsInByteOrder},
		{"ListIsOfOneTenantAndKind", listIsOfOneTenantAndKind},
		{"Expectations", expectations},
		{"AllPutsOrNone", allPutsOrNone},
		{"ChangesOfACallSeeEachOther", changesOfACallSeeEachOther},
		{"LimitsAreRefused", limitsAreRefused},
		{"ValuesOfFullSize", valuesOfFullSize},
		{"RepeatsAnswerLikeTheFirst", repeatsAnswerLikeTheFirst},
		{"AnswersAloneAreKept", answersAloneAreKept},
		{"RequestIDsAreRefusedForOtherRequests", requestIDsAreRefused},
		{"FailedChangesLeaveTheirRequestIDFree", failedChangesLeaveNoID},
		{"RequestIDsAreKeptForTheirTime", requestIDsAreKept},
		{"NotAfter", notAfter},
		{"NowIsStoreTime", nowIsStoreTime},
		{"VersionsRise", versionsRise},
		{"ChangesGiveEachRecordOnce", changesGiveEachRecordOnce},
		{"ChangesCutShortGoOn", changesCutShort},
		{"ChangesCanBeResumedUnderWrites", changesCanBeResumed},
		{"WaitReturnsOnNews", waitReturnsOnNews},
		{"WaitEndsWithItsContext", waitEndsWithItsContext},
		{"ReopenKeepsEverything", reopenKeepsEverything},
		{"ConcurrentWritersHaveOneWinner", oneWinner},
		{"ConcurrentRepeatsHappenOnce", repeatsHappenOnce},
		{"EndedContextsAreHonoured", endedContexts},
		{"ClosedStoresSaySo", closedStores},
		{"Model", model},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			clock := NewClock(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))
			s, reopen := open(t, clock.Now)
			test.run(t, &fixture{Store: s, clock: clock, reopen: reopen})
		})
	}
}

// fixture is an open store with shorthands that fail the test.
type fixture struct {
	store.Store

	clock  *Clock
	reopen func() store.Store
}

func key(id string) store.Key { return store.Key{Tenant: "north-yard", Kind: "listing", ID: id} }

func put(id, value string, expect int64) store.Put {
	return store.Put{Key: key(id), Expect: expect, Value: []byte(value)}
}

// apply applies changes and fails the test where the call as a whole does.
func (f *fixture) apply(t *testing.T, changes ...store.Change) []store.Applied {
	t.Helper()
	results, err := f.Apply(context.WithoutCancel(t.Context()), changes...)
	if err != nil {
		t.Fatalf("Apply: %v", err)
	}
	if len(results) != len(changes) {
		t.Fatalf("Apply answered %d of %d changes", len(results), len(changes))
	}
	return results
}

// set puts one record and returns its version.
func (f *fixture) set(t *testing.T, id, value string, expect int64) int64 {
	t.Helper()
	result := f.apply(t, store.Change{Puts: []store.Put{put(id, value, expect)}})[0]
	if result.Err != nil || len(result.Versions) != 1 {
		t.Fatalf("put %s: %+v", id, result)
	}
	return result.Versions[0]
}

// value returns a record's value, "-" where there is none.
func (f *fixture) value(t *testing.T, k store.Key) string {
	t.Helper()
	found, err := f.Get(t.Context(), k)
	if isNotFound(err) {
		return "-"
	}
	if err != nil {
		t.Fatalf("Get %v: %v", k, err)
	}
	if found.Key != k {
		t.Fatalf("Get %v answered with %v", k, found.Key)
	}
	return string(found.Value)
}

// place returns the store's place.
func (f *fixture) place(t *testing.T) store.Place {
	t.Helper()
	place, err := f.Place(t.Context())
	if err != nil {
		t.Fatalf("Place: %v", err)
	}
	return place
}
