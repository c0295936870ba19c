package limit_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/limit"
)

var update = flag.Bool("update", false, "write the table of classes anew")

// The class of every method of our services, by their descriptors. A new method
// changes the table, so that somebody looks at what it costs.
func TestClassesOfAllMethods(t *testing.T) {
	t.Parallel()
	const path = "testdata/classes"
	var lines []string
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			if !strings.HasPrefix(string(service.FullName()), "beltwright.") {
				continue
			}
			for j := range service.Methods().Len() {
				method := fmt.Sprintf("/%s/%s", service.FullName(), service.Methods().Get(j).Name())
				lines = append(lines, fmt.Sprintf("%s %s\n", method, limit.Of(method)))
			}
		}
		return true
	})
	slices.Sort(lines)
	got := strings.Join(lines, "")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("go test ./services/platform/limit -run Classes -update writes the table anew; look at it then:\n%s", diff)
	}
	if len(lines) < 80 {
		t.Errorf("only %d methods were found", len(lines))
	}
}

// Streams that a client sends are never short, so they must not be counted as calls
// that are.
func TestStreamsAreBulkOrWatches(t *testing.T) {
	t.Parallel()
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				method := service.Methods().Get(j)
				class := limit.Of(fmt.Sprintf("/%s/%s", service.FullName(), method.Name()))
				stream := method.IsStreamingClient() || method.IsStreamingServer()
				ours := strings.HasPrefix(string(service.FullName()), "beltwright.")
				if lasting := class == limit.Bulk || class == limit.Watch; ours && lasting != stream {
					t.Errorf("%s is a stream: %v, and of the class %s", method.FullName(), stream, class)
				}
			}
		}
		return true
	})
}

func TestRatesAreReadFromText(t *testing.T) {
	t.Parallel()
	got, err := limit.ParseRates("read=12.5,search=40/300,bulk=0.1")
	want := map[limit.Class]limit.Speed{
		limit.Read: {PerSecond: 12.5, Burst: 63}, limit.Search: {PerSecond: 40, Burst: 300},
		limit.Bulk: {PerSecond: 0.1, Burst: 1, AtOnce: limit.DefaultRates()[limit.Bulk].AtOnce},
	}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v\n%s", err, diff)
	}
	if got, err := limit.ParseRates(""); err != nil || len(got) != 0 {
		t.Errorf("the empty list: %v, %v", got, err)
	}
	everything, err := limit.Named("off", nil)
	if err != nil {
		t.Fatal(err)
	}
	for class := range limit.DefaultRates() {
		if got := takes(everything, who("a", "k"), class, 20_000); got != 20_000 {
			t.Errorf("off: %d calls of %s", got, class)
		}
	}
	for _, bad := range []string{"read", "read=", "read=0", "read=-1", "read=NaN", "read=Inf", "read=1e9", "read=1/0", "read=1/x", "read=1/-5", "reads=1", "read=1,read=2", "read=1,", ",", "Read=1", " read=1", "off,read=1"} {
		if got, err := limit.ParseRates(bad); err == nil {
			t.Errorf("%q is read as %v", bad, got)
		}
	}
	if _, err := limit.ParseRates("reads=1"); err == nil || !strings.Contains(err.Error(), "CLASS being free, read, search, write, bulk or watch") {
		t.Errorf("an unknown class is not told which there are: %v", err)
	}
}

func FuzzParseRates(f *testing.F) {
	for _, seed := range []string{"", "off", "read=200", "read=0.5/7,write=3", "read=1e3/1,free=1", "read=0x1p3", "read=1_0", "read=\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := limit.ParseRates(text)
		if err != nil {
			return
		}
		if _, err := limit.New(limit.Config{Rates: got}); err != nil {
			t.Fatalf("%q is read as %v, which is refused: %v", text, got, err)
		}
		again, err := limit.ParseRates(limit.FormatRates(got))
		if err != nil || text != "off" && !cmp.Equal(got, again) {
			t.Fatalf("%q is read as %v, written as %q, and read as %v, %v", text, got, limit.FormatRates(got), again, err)
		}
	})
}

func FuzzPlace(f *testing.F) {
	for _, seed := range []string{"192.0.2.1:1", "[2001:db8::1]:443", "::ffff:1.2.3.4", "fe80::1%x", "1.2.3.4.5", "[::1", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, address string) {
		place := limit.Place(address)
		if again := limit.Place(strings.TrimSuffix(place, "/64")); !strings.HasSuffix(place, "/64") && again != place {
			t.Fatalf("%q is at %q, which is at %q", address, place, again)
		}
	})
}
