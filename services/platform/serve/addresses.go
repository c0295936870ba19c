package serve

import (
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"

	"beltwright.example/services/platform/hedge"
)

// hedged are the reads that several servers may be asked at once: each answers from
// memory within milliseconds. What computes for longer is not among them, since
// asking twice would double that work.
var hedged = map[string][]string{
	"beltwright.fitment.v1.CatalogueService": {"GetPart"},
	"beltwright.fitment.v1.FitmentService":   {"DecodeVin", "Decide", "FindDonors", "FindParts", "GetSavedNeed", "GetKeptDecision"},
	"beltwright.fitment.v1.IdentityService":  {"VerifyCredential"},
	"beltwright.fitment.v1.ListingService":   {"GetListing"},
	"beltwright.quote.v1.QuoteService":       {"GetQuote"},
	"beltwright.quote.v1.RepairService":      {"GetRepairOrder"},
}

// listScheme is the scheme of a target that stands for a list of addresses.
const listScheme = "list"

// TellHedges is an option of a connection: what hedging does on it is told. A
// connection to one server hedges nothing and tells nothing.
func TellHedges(tell hedge.Observer) grpc.DialOption { return hedgesTold{tell: tell} }

// hedgesTold says something to us, and nothing to grpc.
type hedgesTold struct {
	grpc.EmptyDialOption

	tell hedge.Observer
}

// target returns what grpc connects to for "host:port", or for several of them
// separated by commas, which calls take in turn. Between several, reads that take
// unusually long are hedged, of which those are told that the connection's further
// options name. Check is asked about each address.
func target(addresses string, check func(address string) error, more ...grpc.DialOption) (string, []grpc.DialOption, error) {
	all := strings.Split(addresses, ",")
	state := resolver.State{}
	for i, address := range all {
		all[i] = strings.TrimSpace(address)
		if err := check(all[i]); err != nil {
			return "", nil, err
		}
		state.Endpoints = append(state.Endpoints, resolver.Endpoint{Addresses: []resolver.Address{{Addr: all[i]}}})
	}
	if len(all) == 1 {
		return all[0], nil, nil
	}
	var config hedge.Config
	for service, methods := range hedged {
		for _, method := range methods {
			config.Methods = append(config.Methods, "/"+service+"/"+method)
		}
	}
	for _, option := range more {
		if told, ok := option.(hedgesTold); ok {
			config.Tell = told.tell
		}
	}
	hedger, err := hedge.New(config)
	if err != nil {
		return "", nil, err
	}
	list := manual.NewBuilderWithScheme(listScheme)
	list.InitialState(state)
	// The name is what a server's certificate would be asked for: the first one's.
	return listScheme + ":///" + all[0], append(hedger.DialOptions(), grpc.WithResolvers(list)), nil
}
