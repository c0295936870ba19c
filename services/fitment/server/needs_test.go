package server_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func (f *fixture) saveNeed(t *testing.T, who string, n *fitmentv1.Need) *fitmentv1.SavedNeed {
	t.Helper()
	got, err := f.decisions.SaveNeed(as(t, who), &fitmentv1.SaveNeedRequest{Need: n, RequestId: newID()})
	if err != nil {
		t.Fatal(err)
	}
	return got.GetSavedNeed()
}

func (f *fixture) deleteNeed(t *testing.T, who, name string) error {
	t.Helper()
	_, err := f.decisions.DeleteSavedNeed(as(t, who), &fitmentv1.DeleteSavedNeedRequest{Name: name, RequestId: newID()})
	return err
}

func TestANeedIsKept(t *testing.T) {
	t.Parallel()
	f := start(t)
	req := &fitmentv1.SaveNeedRequest{Need: need(), Note: "blue car at the gate", RequestId: strings.ToUpper(newID())}
	first, err := f.decisions.SaveNeed(as(t, shopA), req)
	if err != nil {
		t.Fatal(err)
	}
	saved := first.GetSavedNeed()
	if !proto.Equal(saved.GetNeed(), need()) || saved.GetNote() != req.GetNote() || !saved.GetCreateTime().AsTime().Equal(f.clock.Now()) ||
		!strings.HasPrefix(saved.GetName(), "needs/") || saved.GetEtag() == "" || first.GetRevision() == "" {
		t.Errorf("kept %v", first)
	}
	again, err := f.decisions.SaveNeed(as(t, shopA), req)
	if err != nil || !proto.Equal(again, first) {
		t.Errorf("asked again: %v, %v", again, err)
	}
	other := proto.CloneOf(req)
	other.Note = "another"
	_, err = f.decisions.SaveNeed(as(t, shopA), other)
	wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)

	got, err := f.decisions.GetSavedNeed(as(t, shopA), &fitmentv1.GetSavedNeedRequest{Name: saved.GetName()})
	if err != nil || !proto.Equal(got.GetSavedNeed(), saved) {
		t.Errorf("read %v, %v", got, err)
	}
	// A request that comes again once its id is forgotten makes no second need.
	f.clock.Advance(25 * time.Hour)
	f.saveNeed(t, shopA, need()) // the store forgets old ids while it writes
	_, err = f.decisions.SaveNeed(as(t, shopA), req)
	if err == nil {
		t.Log("the store still knows the request id")
	} else {
		wantReason(t, err, fitmentv1.ErrorInfo_ALREADY_EXISTS)
	}
}

func TestANeedIsItsBusinesssOwn(t *testing.T) {
	t.Parallel()
	f := start(t)
	saved := f.saveNeed(t, shopA, need())
	for _, who := range []string{shopB, northYard, admin} {
		_, err := f.decisions.GetSavedNeed(as(t, who), &fitmentv1.GetSavedNeedRequest{Name: saved.GetName()})
		wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
		wantReason(t, f.deleteNeed(t, who, saved.GetName()), fitmentv1.ErrorInfo_NOT_FOUND)
		list, err := f.decisions.ListSavedNeeds(as(t, who), &fitmentv1.ListSavedNeedsRequest{})
		if err != nil || len(list.GetSavedNeeds()) != 0 {
			t.Errorf("%s lists %v, %v", who, list, err)
		}
		_, _, err = f.watch(t, who, &fitmentv1.WatchDonorsRequest{Name: saved.GetName()}).untilNothing()
		wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	}
}

func TestADeletedNeedIsGone(t *testing.T) {
	t.Parallel()
	f := start(t)
	kept, ended := f.saveNeed(t, shopA, need()), f.saveNeed(t, shopA, need())
	req := &fitmentv1.DeleteSavedNeedRequest{Name: ended.GetName(), RequestId: newID()}
	first, err := f.decisions.DeleteSavedNeed(as(t, shopA), req)
	if err != nil || first.GetRevision() == "" {
		t.Fatal(first, err)
	}
	again, err := f.decisions.DeleteSavedNeed(as(t, shopA), req)
	if err != nil || !proto.Equal(again, first) {
		t.Errorf("asked again: %v, %v", again, err)
	}
	wantReason(t, f.deleteNeed(t, shopA, ended.GetName()), fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = f.decisions.GetSavedNeed(as(t, shopA), &fitmentv1.GetSavedNeedRequest{Name: ended.GetName()})
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	list, err := f.decisions.ListSavedNeeds(as(t, shopA), &fitmentv1.ListSavedNeedsRequest{})
	if err != nil || len(list.GetSavedNeeds()) != 1 || list.GetSavedNeeds()[0].GetName() != kept.GetName() {
		t.Errorf("left: %v, %v", list, err)
	}
}

// TestNeedsArePaged: pages hold what is there, each once and in order, however
// many deleted ones lie between.
func TestNeedsArePaged(t *testing.T) {
	t.Parallel()
	f := start(t)
	var want []string
	for i := range 120 {
		n := need()
		n.PartNumber = fmt.Sprintf("K-%d", i)
		saved := f.saveNeed(t, shopA, n)
		if i%3 == 0 {
			want = append(want, saved.GetName())
		} else if err := f.deleteNeed(t, shopA, saved.GetName()); err != nil {
			t.Fatal(err)
		}
	}
	slices.Sort(want)
	for _, size := range []int32{1, 7, 39, 40, 41, 1000} {
		var got []string
		req := &fitmentv1.ListSavedNeedsRequest{PageSize: size}
		for {
			page, err := f.decisions.ListSavedNeeds(as(t, shopA), req)
			if err != nil || len(page.GetSavedNeeds()) > int(size) || page.GetRevision() == "" {
				t.Fatal(page, err)
			}
			for _, saved := range page.GetSavedNeeds() {
				got = append(got, saved.GetName())
			}
			if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
				break
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("pages of %d: %d needs %v, want %d", size, len(got), got, len(want))
		}
	}
	_, err := f.decisions.ListSavedNeeds(as(t, shopA), &fitmentv1.ListSavedNeedsRequest{PageToken: "x"})
	wantReason(t, err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	_, err = f.decisions.ListSavedNeeds(as(t, shopA), &fitmentv1.ListSavedNeedsRequest{PageSize: -1})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestWhatNeedsRefuse(t *testing.T) {
	t.Parallel()
	f := start(t)
	id := "needs/" + newID()
	calls := map[string]func(ctx context.Context) error{
		"need.kind need.position need.vehicle.make need.vehicle.model note request_id": func(ctx context.Context) error {
			_, err := f.decisions.SaveNeed(ctx, &fitmentv1.SaveNeedRequest{Note: strings.Repeat("x", 501)})
			return err
		},
		"name": func(ctx context.Context) error {
			_, err := f.decisions.GetSavedNeed(ctx, &fitmentv1.GetSavedNeedRequest{Name: strings.ToUpper(id)})
			return err
		},
		"name request_id": func(ctx context.Context) error {
			_, err := f.decisions.DeleteSavedNeed(ctx, &fitmentv1.DeleteSavedNeedRequest{Name: "needs/../x"})
			return err
		},
	}
	for want, call := range calls {
		err := call(as(t, shopA))
		if got := strings.Join(fieldsOf(err), " "); got != want || status.Code(err) != codes.InvalidArgument {
			t.Errorf("refused %q (%v), want %q", got, err, want)
		}
		wantReason(t, call(t.Context()), fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
	}
	_, err := f.decisions.ListSavedNeeds(t.Context(), &fitmentv1.ListSavedNeedsRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
	for _, name := range []string{"", "needs/", "needs/x", "listings/a.b", "needs/{" + newID() + "}"} {
		_, _, err := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name}).untilNothing()
		if got := fieldsOf(err); !slices.Equal(got, []string{"name"}) {
			t.Errorf("watching %q: %v", name, err)
		}
	}
}
