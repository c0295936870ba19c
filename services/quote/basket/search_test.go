package basket

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
)

// warehouses reads the data of OR-Library's cap71 to cap74 (see the file), which
// differ by what a warehouse costs to open. Fifty customers are more than a problem
// may have parts, so they go in behind the limits.
func warehouses(t *testing.T, opening int64) *market {
	t.Helper()
	raw, err := os.ReadFile("testdata/warehouses.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Free  int       `json:"free"`
		Costs [][]int64 `json:"costs"`
	}
	if err := json.Unmarshal(raw, &file); err != nil {
		t.Fatal(err)
	}
	m := &market{parts: len(file.Costs), offers: make([][]listed, len(file.Costs)), freight: slices.Repeat([]int64{opening}, len(file.Costs[0]))}
	m.freight[file.Free] = 0
	for i := range m.freight {
		for _, row := range file.Costs {
			m.prices = append(m.prices, row[i])
		}
	}
	m.list()
	return m
}

// The optima are those that OR-Library publishes in its file uncapopt.
func TestPublishedWarehouses(t *testing.T) {
	t.Parallel()
	for opening, want := range map[int64]int64{7500: 932615_7500, 12500: 977799_4000, 17500: 1010641_4500, 25000: 1034976_9750} {
		m := warehouses(t, opening*10000)
		got := m.solve(Budget{})
		if got.total != want || got.bound != want {
			t.Errorf("opening at %d: %+v, want %d", opening, got, want)
		}
	}
}

// random makes a market of parts and sellers with prices and freight up to these, and
// so many offers missing in a hundred.
func random(r *rand.Rand, parts, sellers, missing int, freight, price int64) *market {
	m := &market{parts: parts, offers: make([][]listed, parts), prices: slices.Repeat([]int64{none}, parts*sellers)}
	for i := range sellers {
		m.freight = append(m.freight, r.Int64N(freight+1))
		for j := range parts {
			if r.IntN(100) >= missing || j%sellers == i {
				m.prices[i*parts+j] = r.Int64N(price + 1)
			}
		}
	}
	m.list()
	return m
}

// The subsets alone, told neither bids nor a gap, agree with branch and bound, and
// with them told.
func TestSubsetsAlone(t *testing.T) {
	t.Parallel()
	for n := range 2000 {
		r := rand.New(rand.NewPCG(uint64(n), 7))
		m := random(r, 1+r.IntN(10), 1+r.IntN(40), []int{30, 60, 75}[n%3], []int64{0, 3, 5, 500, 9000}[n%5], []int64{1, 2, 40, 3000}[n%4])
		sellers := make([]int, len(m.freight))
		for i := range sellers {
			sellers[i] = i
		}
		all := subsets{m: m}
		all.bundles(sellers)
		all.solve(make([]int64, m.parts), none)
		want := m.solve(Budget{}).total
		got, to := all.least[len(all.least)-1], all.assignment(sellers)
		if price := m.assign(distinct(to), make([]int, m.parts)); got != want || price != want {
			t.Fatalf("case %d: %d (from its sellers %d), branch and bound %d", n, got, price, want)
		}
	}
}

// In these cases the bids that go before the subsets find a better way to buy than
// the nodes did before, and nothing better exists. Then too the total is that of the
// assignment.
func TestTotalIsThatOfTheAssignment(t *testing.T) {
	t.Parallel()
	for _, n := range []uint64{1057, 22775, 41605, 61978, 108262, 156745, 176533} {
		r := rand.New(rand.NewPCG(n, 71))
		m := random(r, 4+r.IntN(9), 8+r.IntN(30), []int{60, 70, 75, 80}[n%4], []int64{3, 500, 100000}[n%3], []int64{2, 50, 1000, 5000}[n%4])
		got, want := m.solve(Budget{Nodes: 1}), m.solve(Budget{})
		if total := m.assign(distinct(got.to), make([]int, m.parts)); total != got.total || total != want.total || got.bound != total {
			t.Errorf("case %d: %+v costs %d, the least is %d", n, got, total, want.total)
		}
	}
}

func distinct(all []int) []int {
	all = slices.Clone(all)
	slices.Sort(all)
	return slices.Compact(all)
}

// In every node the bids must be a solution of the dual: no seller gets more than its
// freight, the slack is what is left of it, and the sum is right. Then the bound is
// one, whatever was raised and lowered to get there.
func TestBidsAreADualSolution(t *testing.T) {
	t.Parallel()
	for n := range 1000 {
		r := rand.New(rand.NewPCG(uint64(n), 8))
		m := random(r, 1+r.IntN(12), 1+r.IntN(25), 30, []int64{0, 3, 500, 9000}[n%4], []int64{1, 40, 3000}[n%3])
		s := newSearch(m, Budget{Nodes: 1})
		for i := range s.standings {
			s.standings[i] = []standing{free, free, free, opened, closed}[r.IntN(5)]
		}
		if !s.begin() {
			continue
		}
		s.ascend(s.all)
		s.improve()
		var sum int64
		for _, bid := range s.bids {
			sum += bid
		}
		for i, freight := range m.freight {
			left := freight
			if s.standings[i] == opened {
				sum, left = sum+freight, 0
			}
			for j, bid := range s.bids {
				left -= max(0, bid-m.price(i, j))
			}
			if s.standings[i] != closed && (left < 0 || left != s.slack[i]) {
				t.Fatalf("case %d: seller %d of standing %d has %d left, its slack is %d", n, i, s.standings[i], left, s.slack[i])
			}
		}
		if sum != s.sum {
			t.Fatalf("case %d: the sum is %d, not %d", n, sum, s.sum)
		}
	}
}

// While something is a minor unit dearer than the least, the sellers that the least is
// had from must not be closed.
func TestShutKeepsWhatIsCheaper(t *testing.T) {
	t.Parallel()
	shut := 0
	for n := range 1000 {
		r := rand.New(rand.NewPCG(uint64(n), 9))
		m := random(r, 1+r.IntN(8), 1+r.IntN(15), 40, []int64{0, 3, 500, 9000}[n%4], []int64{1, 40, 3000}[n%3])
		least := m.solve(Budget{}).total
		s := newSearch(m, Budget{Nodes: 1})
		s.begin()
		s.spread(s.all)
		s.ascend(s.all)
		s.best = least + 1
		shut += len(s.shut(s.sum))
		var sellers []int
		for i, standing := range s.standings {
			if standing == free {
				sellers = append(sellers, i)
			}
		}
		all := subsets{m: m}
		all.bundles(sellers)
		all.solve(make([]int64, m.parts), none)
		if got := all.least[len(all.least)-1]; got != least {
			t.Fatalf("case %d: without %d of %d sellers %d, with them %d", n, len(m.freight)-len(sellers), len(m.freight), got, least)
		}
	}
	if shut < 1000 {
		t.Errorf("only %d sellers were closed in all", shut)
	}
}
