package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
	"beltwright.example/services/fitment/evidence"
)

// scan is what the donor's codes, as they were read, come to.
type scan struct {
	stated, torn, proven bool
	// commanded is Yes where one of them means, in the donor's dialect, that
	// deployment was commanded, No where none does, and Unknown where the dialect
	// is not known and decides, or where no table lists one of the codes.
	commanded evidence.Answer
}

// scanned reads the donor's codes, once.
func (c *Case) scanned() *scan {
	if c.scan != nil {
		return c.scan
	}
	fact := c.claims.Fact(aCodes)
	c.scan = &scan{stated: fact.Key != "", torn: fact.Conflict, proven: fact.Proven(), commanded: evidence.Unknown}
	if !fact.Known() {
		return c.scan
	}
	codes, err := code.ParseList(fact.Key)
	if err != nil {
		c.scan.torn = true
		return c.scan
	}
	c.scan.commanded = c.policy.tables().Commanded(codes, c.donorDialect())
	// A dialect clears only a donor that is known to be what it is said to be: a
	// proven VIN ties the stated make and model to a vehicle. Otherwise the codes
	// must be harmless in every dialect.
	if c.scan.commanded == evidence.No && c.vinOf().answer.Answer != evidence.Yes && c.policy.tables().Commanded(codes, "") != evidence.No {
		c.scan.commanded = evidence.Unknown
	}
	return c.scan
}

// donorDialect is the dialect of the donor's codes, empty where it is not known. A
// model year that statements contradict each other about settles none.
func (c *Case) donorDialect() string {
	donor := c.claims.Listing().GetDonor()
	year, _ := c.statedYear()
	return c.cat.Vehicle(&fitmentv1.Vehicle{Make: donor.GetMake(), Model: donor.GetModel(), ModelYear: year}).Dialect
}

// noDeploymentCode: none of the donor's codes means that deployment was commanded,
// by the reader's own word or by the codes as they were read.
func noDeploymentCode(c *Case) Result {
	flag, codes := c.claims.Fact(aCode), c.scanned()
	said, _ := c.claims.Bool(aCode)
	fired, clean := codes.stated && codes.commanded == evidence.Yes, codes.stated && codes.commanded == evidence.No
	switch {
	case flag.Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case codes.torn:
		return unknown("the lists of the donor's codes contradict each other or cannot be read").about(aCodes)
	case said == evidence.Yes && clean, said == evidence.No && fired:
		return unknown("what is said of the donor's codes contradicts the codes themselves").about(aCodes)
	case said == evidence.Yes || fired:
		return c.barredByCrash("a code of the donor means that deployment was commanded")
	case codes.stated && !clean:
		return unknown("whether one of the donor's codes means that deployment was commanded is not known: it depends on the dialect, or no table lists the code").about(aCodes)
	case said == evidence.No && flag.Proven():
		return yes("the donor is shown to have no code that means deployment was commanded")
	case clean && codes.proven:
		return yes("none of the donor's codes, as shown, means that deployment was commanded").about(aCodes)
	case said == evidence.Unknown && !codes.stated:
		return unknown("nothing is known about it")
	default:
		return unknown("it is only claimed")
	}
}
