package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

// deployment is a fitment side being served, as after its first start.
type deployment struct {
	t      *testing.T
	dir    string
	app    *app.App
	client fitmentv1.IdentityServiceClient
	log    *logged
	// operator is the operator's key.
	operator string
	end      func()
}

// logged is a log that tests read while it is written.
type logged struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logged) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(line)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func deploy(t *testing.T, dir string, change ...func(c *app.Config)) *deployment {
	t.Helper()
	d := &deployment{t: t, dir: dir, log: &logged{}}
	log := slog.New(slog.NewTextHandler(d.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	first := app.OperatorKey("")
	first.Tell = func(text string) error {
		d.operator = text
		return nil
	}
	config := app.Config{Data: dir, First: []keys.First{first}, Log: log}
	for _, one := range change {
		one(&config)
	}
	var err error
	d.app, err = app.Open(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	server, err := serve.New(serve.Config{Name: "fitment", ReadyEvery: 20 * time.Millisecond, DrainTimeout: time.Second}, d.app.Verifier, log, d.app.Services...)
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	conn, err := memory.Dial(grpc.WithDefaultCallOptions(grpc.WaitForReady(true)))
	if err != nil {
		t.Fatal(err)
	}
	d.client = fitmentv1.NewIdentityServiceClient(conn)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- server.Serve(ctx, memory) }()
	d.end = sync.OnceFunc(func() {
		stop()
		if err := errors.Join(<-done, conn.Close(), d.app.Close()); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(d.end)
	return d
}

// as is a context of a caller with a key.
func (d *deployment) as(key string) context.Context { return auth.WithKey(d.t.Context(), key) }

// admit makes a business with desks and returns a key of its administrators.
func (d *deployment) admit(id string, roles ...string) string {
	d.t.Helper()
	business := &fitmentv1.Business{Id: id, DisplayName: "Business " + id, Roles: roles}
	if _, err := d.client.CreateBusiness(d.as(d.operator), &fitmentv1.CreateBusinessRequest{Business: business, RequestId: uuid.NewString()}); err != nil {
		d.t.Fatal(err)
	}
	return d.key(d.operator, &fitmentv1.Key{Business: id, Roles: []string{"admin"}}).GetText()
}

func (d *deployment) key(by string, key *fitmentv1.Key) *fitmentv1.CreateKeyResponse {
	d.t.Helper()
	made, err := d.client.CreateKey(d.as(by), &fitmentv1.CreateKeyRequest{Key: key, RequestId: uuid.NewString()})
	if err != nil {
		d.t.Fatal(err)
	}
	return made
}

func (d *deployment) who(key string) (*fitmentv1.VerifyCredentialResponse, error) {
	return d.client.VerifyCredential(d.as(key), &fitmentv1.VerifyCredentialRequest{})
}

// wants checks an error's reason and the first field that it names.
func wants(t *testing.T, what string, err error, reason apierr.Reason, field string) {
	t.Helper()
	got := ""
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok && len(bad.GetFieldViolations()) > 0 {
			got = bad.GetFieldViolations()[0].GetField()
		}
	}
	if err == nil || apierr.ReasonOf(err) != reason || got != field {
		t.Errorf("%s: %v (%v, field %q); want %v, field %q", what, err, apierr.ReasonOf(err), got, reason, field)
	}
}

func TestKeyFromItsMakingToItsEnd(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "books", "admin")
	request := &fitmentv1.CreateKeyRequest{
		Key: &fitmentv1.Key{Label: "front desk", Roles: []string{"books", "shop"}}, Days: 30, RequestId: uuid.NewString(),
	}
	made, err := d.client.CreateKey(d.as(admin), request)
	if err != nil {
		t.Fatal(err)
	}
	key := made.GetKey()
	if lasts := key.GetExpireTime().AsTime().Sub(key.GetCreateTime().AsTime()); lasts != 30*24*time.Hour || !strings.HasPrefix(made.GetText(), key.GetPrefix()) {
		t.Errorf("it lasts %v, and its text does not begin with %s", lasts, key.GetPrefix())
	}
	adminID := strings.SplitN(admin, "_", 4)[2]
	if key.GetCreator() != "keys/shop-a."+adminID || key.GetBusiness() != "shop-a" || key.GetLabel() != "front desk" {
		t.Errorf("made as %v", key)
	}
	who, err := d.who(made.GetText())
	if err != nil || who.GetTenant() != "shop-a" || !slices.Equal(who.GetRoles(), []string{"shop", "books"}) || !proto.Equal(who.GetExpireTime(), key.GetExpireTime()) {
		t.Errorf("it is %v, %v", who, err)
	}

	again, err := d.client.CreateKey(d.as(admin), request)
	if err != nil || again.GetText() != "" || !proto.Equal(again.GetKey(), key) || again.GetRevision() != made.GetRevision() {
		t.Errorf("repeated: %v, %v", again, err)
	}
	other := proto.CloneOf(request)
	other.Days = 31
	_, err = d.client.CreateKey(d.as(admin), other)
	wants(t, "the request id for another key", err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED, "")

	ended, err := d.client.RevokeKey(d.as(admin), &fitmentv1.RevokeKeyRequest{Name: key.GetName(), RequestId: uuid.NewString()})
	if err != nil || ended.GetKey().GetRevokeTime() == nil {
		t.Fatalf("%v, %v", ended, err)
	}
	_, err = d.who(made.GetText())
	wants(t, "a revoked key", err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "")
	if _, err := d.who(admin); err != nil {
		t.Errorf("another key of the business: %v", err)
	}
	listed, err := d.client.ListKeys(d.as(admin), &fitmentv1.ListKeysRequest{})
	if err != nil || len(listed.GetKeys()) != 2 {
		t.Fatalf("%v, %v", listed, err)
	}
	at := slices.IndexFunc(listed.GetKeys(), func(k *fitmentv1.Key) bool { return k.GetName() == key.GetName() })
	ignoreUse := protocmp.IgnoreFields(&fitmentv1.Key{}, "last_used_day") // noted a moment later
	if diff := cmp.Diff(ended.GetKey(), listed.GetKeys()[at], protocmp.Transform(), ignoreUse); diff != "" {
		t.Error(diff)
	}
}

func TestWhatKeysAreRefused(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "books", "admin")
	d.admit("shop-b", "shop", "admin")
	clerk := d.key(admin, &fitmentv1.Key{Roles: []string{"shop"}}).GetText()
	const invalid, denied = fitmentv1.ErrorInfo_FIELD_INVALID, fitmentv1.ErrorInfo_PERMISSION_MISSING
	for name, c := range map[string]struct {
		by     string
		spoil  func(*fitmentv1.CreateKeyRequest)
		reason apierr.Reason
		field  string
	}{
		"operator's role":           {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Roles = []string{"admin", "operator"} }, invalid, "key.roles[1]"},
		"operator's role by itself": {d.operator, func(r *fitmentv1.CreateKeyRequest) { r.Key.Roles = []string{"operator"} }, invalid, "key.roles[0]"},
		"desk of another business":  {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Roles = []string{"yard"} }, invalid, "key.roles[0]"},
		"no desk":                   {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Roles = nil }, invalid, "key.roles"},
		"no key":                    {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key = nil }, invalid, "key.roles"},
		"no request id":             {admin, func(r *fitmentv1.CreateKeyRequest) { r.RequestId = "" }, invalid, "request_id"},
		"too many days":             {admin, func(r *fitmentv1.CreateKeyRequest) { r.Days = 3651 }, invalid, "days"},
		"negative days":             {admin, func(r *fitmentv1.CreateKeyRequest) { r.Days = -1 }, invalid, "days"},
		"label too long":            {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Label = strings.Repeat("x", 201) }, invalid, "key.label"},
		"label with a line end":     {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Label = "a\nb" }, invalid, "key.label"},
		"output only":               {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Creator = "me" }, invalid, "key.creator"},
		"another business":          {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Business = "shop-b" }, denied, ""},
		"business that is none":     {admin, func(r *fitmentv1.CreateKeyRequest) { r.Key.Business = "shop-c" }, denied, ""},
		"operator, none":            {d.operator, func(r *fitmentv1.CreateKeyRequest) { r.Key.Business = "shop-c" }, fitmentv1.ErrorInfo_NOT_FOUND, ""},
		"operator, no id":           {d.operator, func(r *fitmentv1.CreateKeyRequest) { r.Key.Business = "common" }, invalid, "key.business"},
		"no administrator":          {clerk, func(*fitmentv1.CreateKeyRequest) {}, denied, ""},
		"nobody":                    {"bw_shop-a_abcdefghij23_x", func(*fitmentv1.CreateKeyRequest) {}, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, ""},
	} {
		request := &fitmentv1.CreateKeyRequest{Key: &fitmentv1.Key{Roles: []string{"shop"}}, RequestId: uuid.NewString()}
		c.spoil(request)
		_, err := d.client.CreateKey(d.as(c.by), request)
		wants(t, name, err, c.reason, c.field)
	}
	listed, err := d.client.ListKeys(d.as(admin), &fitmentv1.ListKeysRequest{})
	if err != nil || len(listed.GetKeys()) != 2 {
		t.Errorf("%d keys after what was refused, %v", len(listed.GetKeys()), err)
	}
}

// What another business has is told to nobody: neither whether there is such a key nor
// such a business.
func TestKeysOfOthersDoNotExist(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "admin")
	d.admit("shop-b", "shop", "admin")
	theirs := d.key(d.operator, &fitmentv1.Key{Business: "shop-b", Roles: []string{"shop"}})
	said := map[string]bool{}
	for _, name := range []string{theirs.GetKey().GetName(), "keys/shop-b.abcdefghij23", "keys/shop-z.abcdefghij23"} {
		_, err := d.client.RevokeKey(d.as(admin), &fitmentv1.RevokeKeyRequest{Name: name, RequestId: uuid.NewString()})
		wants(t, name, err, fitmentv1.ErrorInfo_PERMISSION_MISSING, "")
		said[err.Error()] = true
	}
	if len(said) != 1 {
		t.Errorf("the errors differ: %v", said)
	}
	clear(said)
	for _, name := range []string{"businesses/shop-b", "businesses/shop-z"} {
		_, err := d.client.GetBusiness(d.as(admin), &fitmentv1.GetBusinessRequest{Name: name})
		wants(t, name, err, fitmentv1.ErrorInfo_NOT_FOUND, "")
		said[strings.ReplaceAll(err.Error(), name[11:], "X")] = true
	}
	if len(said) != 1 {
		t.Errorf("the errors differ: %v", said)
	}
	if _, err := d.who(theirs.GetText()); err != nil {
		t.Errorf("the other's key: %v", err)
	}
	for _, c := range []struct {
		by   string
		want []string
	}{{admin, []string{"shop-a"}}, {d.operator, []string{"operator", "shop-a", "shop-b"}}} {
		listed, err := d.client.ListBusinesses(d.as(c.by), &fitmentv1.ListBusinessesRequest{})
		var got []string
		for _, b := range listed.GetBusinesses() {
			got = append(got, b.GetId())
		}
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%v, %v; want %v", got, err, c.want)
		}
	}
}

func TestBusinessIsShutOutAndLetInAgain(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "books", "admin")
	clerk := d.key(admin, &fitmentv1.Key{Roles: []string{"shop", "books"}}).GetText()
	change := func(change func(*fitmentv1.Business)) *fitmentv1.Business {
		t.Helper()
		read, err := d.client.GetBusiness(d.as(d.operator), &fitmentv1.GetBusinessRequest{Name: "businesses/shop-a"})
		if err != nil {
			t.Fatal(err)
		}
		next := proto.CloneOf(read.GetBusiness())
		change(next)
		request := &fitmentv1.UpdateBusinessRequest{Business: next, Etag: read.GetBusiness().GetEtag(), RequestId: uuid.NewString()}
		updated, err := d.client.UpdateBusiness(d.as(d.operator), request)
		if err != nil {
			t.Fatal(err)
		}
		again, err := d.client.UpdateBusiness(d.as(d.operator), request)
		if err != nil || !proto.Equal(again, updated) {
			t.Errorf("repeated: %v, %v; want %v", again, err, updated)
		}
		request.RequestId = uuid.NewString()
		_, err = d.client.UpdateBusiness(d.as(d.operator), request)
		wants(t, "with the etag of before", err, fitmentv1.ErrorInfo_ETAG_STALE, "")
		return updated.GetBusiness()
	}
	change(func(b *fitmentv1.Business) { b.Suspended = true })
	for _, key := range []string{admin, clerk} {
		_, err := d.who(key)
		wants(t, "shut out", err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "")
	}
	change(func(b *fitmentv1.Business) { b.Suspended, b.Roles = false, []string{"books", "admin"} })
	who, err := d.who(clerk)
	if err != nil || !slices.Equal(who.GetRoles(), []string{"books"}) {
		t.Errorf("with a desk less: %v, %v", who, err)
	}
	back := change(func(b *fitmentv1.Business) { b.DisplayName = "Another name" })
	if back.GetDisplayName() != "Another name" || back.GetSuspended() || back.GetCreateTime() == nil || back.GetName() != "businesses/shop-a" {
		t.Errorf("%v", back)
	}
}

func TestWhatBusinessesAreRefused(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "admin")
	const invalid, denied = fitmentv1.ErrorInfo_FIELD_INVALID, fitmentv1.ErrorInfo_PERMISSION_MISSING
	for name, c := range map[string]struct {
		by     string
		spoil  func(*fitmentv1.Business)
		reason apierr.Reason
		field  string
	}{
		"by an administrator": {admin, func(*fitmentv1.Business) {}, denied, ""},
		"known":               {d.operator, func(b *fitmentv1.Business) { b.Id = "shop-a" }, fitmentv1.ErrorInfo_ALREADY_EXISTS, ""},
		"no id":               {d.operator, func(b *fitmentv1.Business) { b.Id = "" }, invalid, "business.id"},
		"common":              {d.operator, func(b *fitmentv1.Business) { b.Id = "common" }, invalid, "business.id"},
		"capital":             {d.operator, func(b *fitmentv1.Business) { b.Id = "Shop" }, invalid, "business.id"},
		"no name":             {d.operator, func(b *fitmentv1.Business) { b.DisplayName = "" }, invalid, "business.display_name"},
		"no desks":            {d.operator, func(b *fitmentv1.Business) { b.Roles = nil }, invalid, "business.roles"},
		"operator's role":     {d.operator, func(b *fitmentv1.Business) { b.Roles = []string{"operator"} }, invalid, "business.roles[0]"},
		"operator":            {d.operator, func(b *fitmentv1.Business) { b.Operator = true }, invalid, "business.operator"},
	} {
		b := &fitmentv1.Business{Id: "shop-b", DisplayName: "B", Roles: []string{"shop"}}
		c.spoil(b)
		_, err := d.client.CreateBusiness(d.as(c.by), &fitmentv1.CreateBusinessRequest{Business: b, RequestId: uuid.NewString()})
		wants(t, "create, "+name, err, c.reason, c.field)
	}
	_, err := d.client.CreateBusiness(d.as(d.operator), &fitmentv1.CreateBusinessRequest{Business: &fitmentv1.Business{Id: "common", DisplayName: "x", Roles: []string{"shop"}}, RequestId: uuid.NewString()})
	if said := status.Convert(err).Message(); !strings.HasSuffix(said, `and not the word "common"`) {
		t.Errorf("%s", said)
	}
	for name, c := range map[string]struct {
		by, id string
		spoil  func(*fitmentv1.Business)
		reason apierr.Reason
		field  string
	}{
		"by an administrator":       {admin, "shop-a", func(*fitmentv1.Business) {}, denied, ""},
		"none":                      {d.operator, "shop-z", func(*fitmentv1.Business) {}, fitmentv1.ErrorInfo_NOT_FOUND, ""},
		"becomes operator":          {d.operator, "shop-a", func(b *fitmentv1.Business) { b.Operator = true }, invalid, "business.operator"},
		"another id":                {d.operator, "shop-a", func(b *fitmentv1.Business) { b.Id = "shop-b" }, invalid, "business.id"},
		"operator shut out":         {d.operator, "operator", func(b *fitmentv1.Business) { b.Suspended = true }, invalid, "business.suspended"},
		"operator without an admin": {d.operator, "operator", func(b *fitmentv1.Business) { b.Roles = []string{"shop"} }, invalid, "business.roles"},
	} {
		read, err := d.client.GetBusiness(d.as(d.operator), &fitmentv1.GetBusinessRequest{Name: "businesses/" + c.id})
		b := read.GetBusiness()
		if err != nil {
			b = &fitmentv1.Business{Name: "businesses/" + c.id, DisplayName: "x", Roles: []string{"shop"}, Etag: `"1"`}
		}
		etag := b.GetEtag()
		c.spoil(b)
		_, err = d.client.UpdateBusiness(d.as(c.by), &fitmentv1.UpdateBusinessRequest{Business: b, Etag: etag, RequestId: uuid.NewString()})
		wants(t, "update, "+name, err, c.reason, c.field)
	}
}

// TestNobodyBecomesOperator draws requests of an administrator and of the operator,
// good and bad, and expects that no key of another business ever has that role.
func TestNobodyBecomesOperator(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "admin")
	roles := rapid.SliceOfN(rapid.SampledFrom([]string{"yard", "shop", "books", "admin", "admin", "operator"}), 0, 3)
	businesses := rapid.SampledFrom([]string{"", "shop-a", "shop-b", "operator"})
	granted := 0
	rapid.Check(t, func(rt *rapid.T) {
		by := rapid.SampledFrom([]string{admin, d.operator}).Draw(rt, "by")
		business := &fitmentv1.Business{
			Id: businesses.Draw(rt, "id"), DisplayName: "x", Roles: roles.Draw(rt, "desks"), Operator: rapid.Bool().Draw(rt, "operator"),
		}
		var err error
		switch rapid.IntRange(0, 2).Draw(rt, "does") {
		case 0:
			_, err = d.client.CreateBusiness(d.as(by), &fitmentv1.CreateBusinessRequest{Business: business, RequestId: uuid.NewString()})
		case 1:
			business.Name = "businesses/" + business.GetId()
			read, _ := d.client.GetBusiness(d.as(d.operator), &fitmentv1.GetBusinessRequest{Name: business.GetName()})
			_, err = d.client.UpdateBusiness(d.as(by), &fitmentv1.UpdateBusinessRequest{Business: business, Etag: read.GetBusiness().GetEtag(), RequestId: uuid.NewString()})
		default:
			var made *fitmentv1.CreateKeyResponse
			made, err = d.client.CreateKey(d.as(by), &fitmentv1.CreateKeyRequest{
				Key: &fitmentv1.Key{Business: business.GetId(), Roles: business.GetRoles()}, RequestId: uuid.NewString(),
			})
			if err != nil {
				break
			}
			who, verr := d.who(made.GetText())
			if verr != nil {
				rt.Fatal(verr)
			}
			want := who.GetTenant() == "operator" && slices.Contains(who.GetRoles(), "admin")
			if slices.Contains(who.GetRoles(), "operator") != want || (by == admin && who.GetTenant() != "shop-a") {
				rt.Fatalf("a key of %s has %v", who.GetTenant(), who.GetRoles())
			}
			granted++
		}
		if code := status.Code(err); code == codes.Internal || code == codes.Unknown {
			rt.Fatal(err)
		}
		if who, err := d.who(admin); err == nil && slices.Contains(who.GetRoles(), "operator") {
			rt.Fatalf("the administrator has become %v", who.GetRoles())
		}
	})
	if granted == 0 {
		t.Error("no key was ever made")
	}
}

// TestKeyIsShownInOneAnswerOnly: neither any other answer, nor the log at its most
// talkative, nor the files have it; its public id, which is there, shows that the
// search finds what there is.
func TestKeyIsShownInOneAnswerOnly(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := deploy(t, dir)
	admin := d.admit("shop-a", "shop", "admin")
	request := &fitmentv1.CreateKeyRequest{Key: &fitmentv1.Key{Label: "x", Roles: []string{"shop"}}, RequestId: uuid.NewString()}
	made, err := d.client.CreateKey(d.as(admin), request)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := keys.Parse(made.GetText())
	if err != nil {
		t.Fatal(err)
	}
	var said strings.Builder
	note := func(m proto.Message, err error) {
		said.WriteString(prototext.Format(m) + fmt.Sprint(err, status.Convert(err).Details()))
	}
	again, err := d.client.CreateKey(d.as(admin), request)
	note(again, err)
	who, err := d.who(made.GetText())
	note(who, err)
	listed, err := d.client.ListKeys(d.as(admin), &fitmentv1.ListKeysRequest{})
	note(listed, err)
	denied, err := d.client.ListKeys(d.as(made.GetText()), &fitmentv1.ListKeysRequest{})
	note(denied, err)
	ended, err := d.client.RevokeKey(d.as(admin), &fitmentv1.RevokeKeyRequest{Name: made.GetKey().GetName(), RequestId: uuid.NewString()})
	note(ended, err)
	_, err = d.who(made.GetText())
	note(&fitmentv1.VerifyCredentialResponse{}, err)
	d.end()

	places := map[string]string{"the other answers": said.String(), "the log": d.log.String()}
	err = filepath.WalkDir(dir, func(path string, entry os.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		raw, err := os.ReadFile(path)
		places["the files"] += string(raw)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	secret := strings.SplitN(made.GetText(), "_", 4)[3]
	for name, text := range places {
		if strings.Contains(text, secret) || strings.Contains(text, string(parsed.Secret[:])) {
			t.Errorf("%s hold the secret", name)
		}
		if !strings.Contains(text, parsed.ID) {
			t.Errorf("%s do not even hold the id: nothing was searched", name)
		}
	}
}

// TestStoreOfAnEarlierReleaseIsAdopted: its keys work as before, and those who ran it
// run it still.
func TestStoreOfAnEarlierReleaseIsAdopted(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	records, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		t.Fatal(err)
	}
	pepper, err := credential.OpenPepper(t.Context(), records, "keys", nil)
	if err != nil {
		t.Fatal(err)
	}
	old := map[string]string{}
	for _, tenant := range []string{"demo-shop", "shop-a"} {
		key, err := credential.Mint("bw", tenant, nil)
		if err != nil {
			t.Fatal(err)
		}
		value, err := json.Marshal(map[string]any{
			"digest": pepper.Digest(key), "roles": []identity.Role{identity.Admin, identity.Shop}, "created": time.Now().Add(-time.Hour),
		})
		if err != nil {
			t.Fatal(err)
		}
		old[tenant] = key.Text()
		applied, err := records.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: store.Key{Tenant: tenant, Kind: "key", ID: key.ID}, Value: value}}})
		if err := errors.Join(err, applied[0].Err); err != nil {
			t.Fatal(err)
		}
	}
	if err := records.Close(); err != nil {
		t.Fatal(err)
	}
	d := deploy(t, dir)
	for tenant, want := range map[string][]string{"demo-shop": {"shop", "admin", "operator"}, "shop-a": {"shop", "admin"}} {
		who, err := d.who(old[tenant])
		if err != nil || !slices.Equal(who.GetRoles(), want) {
			t.Errorf("%s: %v, %v; want %v", tenant, who.GetRoles(), err, want)
		}
	}
	shown, err := d.client.ListKeys(d.as(old["shop-a"]), &fitmentv1.ListKeysRequest{})
	if err != nil || len(shown.GetKeys()) != 1 || shown.GetKeys()[0].GetExpireTime().AsTime().Before(time.Now().Add(3649*24*time.Hour)) {
		t.Errorf("%v, %v", shown, err)
	}
}

// TestRevokingWinsOverUse: a key is revoked while it is used and its use is being
// written down; whichever comes first, it is revoked in the end.
func TestRevokingWinsOverUse(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "admin")
	noted := 0
	for range 40 {
		made := d.key(admin, &fitmentv1.Key{Roles: []string{"shop"}})
		var users sync.WaitGroup
		for range 4 {
			users.Go(func() {
				for {
					if _, err := d.who(made.GetText()); err != nil {
						return
					}
				}
			})
		}
		if _, err := d.client.RevokeKey(d.as(admin), &fitmentv1.RevokeKeyRequest{Name: made.GetKey().GetName(), RequestId: uuid.NewString()}); err != nil {
			t.Fatal(err)
		}
		_, err := d.who(made.GetText())
		wants(t, "right after it was revoked", err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "")
		users.Wait()
	}
	listed, err := d.client.ListKeys(d.as(admin), &fitmentv1.ListKeysRequest{PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range listed.GetKeys() {
		if key.GetRevokeTime() == nil && !strings.Contains(admin, key.GetPrefix()) {
			t.Errorf("%s is not revoked any more", key.GetName())
		}
		if key.GetLastUsedDay() != "" {
			noted++
		}
	}
	if noted < 2 {
		t.Errorf("the use of %d keys was noted: nothing was in the way of the revocations", noted)
	}
}

// TestPagesOfKeys are whole, without one twice.
func TestPagesOfKeys(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir())
	admin := d.admit("shop-a", "shop", "admin")
	d.admit("shop-b", "shop", "admin")
	for range 6 {
		d.key(admin, &fitmentv1.Key{Roles: []string{"shop"}})
	}
	seen := map[string]bool{}
	request := &fitmentv1.ListKeysRequest{PageSize: 3}
	for pages := 1; ; pages++ {
		page, err := d.client.ListKeys(d.as(admin), request)
		if err != nil {
			t.Fatal(err)
		}
		for _, key := range page.GetKeys() {
			if seen[key.GetName()] || key.GetBusiness() != "shop-a" {
				t.Errorf("%s is there twice, or is another's", key.GetName())
			}
			seen[key.GetName()] = true
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			if pages != 3 || len(seen) != 7 {
				t.Errorf("%d keys on %d pages", len(seen), pages)
			}
			return
		}
		_, err = d.client.ListKeys(d.as(d.operator), request)
		wants(t, "another's page token", err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID, "")
	}
}

// TestEndedKeysGiveWay: keys that have ended keep nobody from making new ones, and the
// one that ended first is forgotten for good. The control is a business whose keys all
// count, which may make no more.
func TestEndedKeysGiveWay(t *testing.T) {
	t.Parallel()
	d := deploy(t, t.TempDir(), func(c *app.Config) { c.Quotas = "keys=4" })
	admin := d.admit("shop-a", "shop", "admin")
	wish := func() *fitmentv1.CreateKeyRequest {
		return &fitmentv1.CreateKeyRequest{Key: &fitmentv1.Key{Roles: []string{"shop"}}, RequestId: uuid.NewString()}
	}
	var made []*fitmentv1.CreateKeyResponse
	for range 3 {
		made = append(made, d.key(admin, &fitmentv1.Key{Roles: []string{"shop"}}))
	}
	_, err := d.client.CreateKey(d.as(admin), wish())
	wants(t, "a fifth key", err, fitmentv1.ErrorInfo_QUOTA_REACHED, "")
	revoke := func(key *fitmentv1.Key) error {
		_, err := d.client.RevokeKey(d.as(admin), &fitmentv1.RevokeKeyRequest{Name: key.GetName(), RequestId: uuid.NewString()})
		return err
	}
	for _, i := range []int{1, 0} { // the second one ends first
		if err := revoke(made[i].GetKey()); err != nil {
			t.Fatal(err)
		}
	}
	request := wish()
	fresh, err := d.client.CreateKey(d.as(admin), request)
	if err != nil || fresh.GetText() == "" {
		t.Fatalf("a key in place of one that ended: %v", err)
	}
	if again, err := d.client.CreateKey(d.as(admin), request); err != nil || again.GetText() != "" || again.GetKey().GetName() != fresh.GetKey().GetName() {
		t.Errorf("the same again: %v, %v", again.GetKey().GetName(), err)
	}
	list, err := d.client.ListKeys(d.as(admin), &fitmentv1.ListKeysRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, key := range list.GetKeys() {
		names = append(names, key.GetName())
	}
	if len(names) != 4 || slices.Contains(names, made[1].GetKey().GetName()) || !slices.Contains(names, made[0].GetKey().GetName()) {
		t.Errorf("listed are %v", names)
	}
	_, err = d.who(made[1].GetText())
	wants(t, "a key that was forgotten", err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "")
	wants(t, "revoking it", revoke(made[1].GetKey()), fitmentv1.ErrorInfo_NOT_FOUND, "")
	if who, err := d.who(fresh.GetText()); err != nil || who.GetTenant() != "shop-a" {
		t.Errorf("the new key: %v, %v", who, err)
	}
	d.key(admin, &fitmentv1.Key{Roles: []string{"shop"}}) // in place of the other one
	_, err = d.client.CreateKey(d.as(admin), wish())
	wants(t, "a key in place of none", err, fitmentv1.ErrorInfo_QUOTA_REACHED, "")
}
