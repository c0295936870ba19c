package rules

import fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"

const (
	fit    = fitmentv1.Finding_FIT
	reuse  = fitmentv1.Finding_REUSE
	advice = fitmentv1.Finding_ADVICE
)

// Families.
const (
	famIdentity     = "identity"
	famNumber       = "number"
	famYears        = "years"
	famConnector    = "connector"
	famElectrical   = "electrical"
	famDeployment   = "deployment"
	famHistory      = "history"
	famAge          = "age"
	famRecall       = "recall"
	famProvenance   = "provenance"
	famModule       = "module"
	famCondition    = "condition"
	famCosmetic     = "cosmetic"
	famMaker        = "maker"
	famFitting      = "fitting"
	famJurisdiction = "jurisdiction"
)

// Short names of the attributes, for the table.
const (
	aNumber       = fitmentv1.Evidence_PART_NUMBER
	aKind         = fitmentv1.Evidence_PART_KIND
	aPosition     = fitmentv1.Evidence_PART_POSITION
	aDriveSide    = fitmentv1.Evidence_DONOR_DRIVE_SIDE
	aYear         = fitmentv1.Evidence_DONOR_MODEL_YEAR
	aVIN          = fitmentv1.Evidence_DONOR_VIN
	aInterface    = fitmentv1.Evidence_CONNECTOR_INTERFACE
	aKeying       = fitmentv1.Evidence_CONNECTOR_KEYING
	aCavities     = fitmentv1.Evidence_CONNECTOR_CAVITIES
	aClip         = fitmentv1.Evidence_SHORTING_CLIP_PRESENT
	aPigtail      = fitmentv1.Evidence_PIGTAIL_CUT
	aStages       = fitmentv1.Evidence_STAGES
	aLoop         = fitmentv1.Evidence_LOOP_RESISTANCE
	aMarks        = fitmentv1.Evidence_DEPLOYMENT_MARKS
	aCrash        = fitmentv1.Evidence_CRASH_RECORD
	aCode         = fitmentv1.Evidence_DEPLOYMENT_CODE
	aBelt         = fitmentv1.Evidence_BELT_IN_USE_COLLISION
	aFlood        = fitmentv1.Evidence_FLOOD
	aFire         = fitmentv1.Evidence_FIRE
	aRecallOpen   = fitmentv1.Evidence_RECALL_OPEN
	aLegible      = fitmentv1.Evidence_LABEL_LEGIBLE
	aPulledBy     = fitmentv1.Evidence_PULLED_BY
	aRemedied     = fitmentv1.Evidence_RECALL_REMEDIED
	aMaker        = fitmentv1.Evidence_PART_MAKER
	aCodes        = fitmentv1.Evidence_DONOR_CODES
	aDamage       = fitmentv1.Evidence_DAMAGE
	aCosmetic     = fitmentv1.Evidence_COSMETIC_DAMAGE
	aProgrammable = fitmentv1.Evidence_PROGRAMMABLE
	aTheft        = fitmentv1.Evidence_THEFT_QUERY_CLEAR
	aStatement    = fitmentv1.Evidence_SELLER_STATEMENT
	aMade         = fitmentv1.Evidence_MANUFACTURED
)

// What rules that stand on others' answers depend on.
var (
	recallReads = []Attribute{aRecallOpen, aRemedied, aNumber, aMaker, aVIN, aYear}
	vinReads    = []Attribute{aVIN, aYear}
	lawReads    = []Attribute{aTheft, aStatement, aVIN, aNumber, aMaker, aPulledBy, aLegible, aFlood, aMarks, aRecallOpen, aRemedied, aYear}
)

// Sources used more than once.
const (
	fromInterchange = "IIHS Advisory 29 (September 2003): a salvaged restraint part must match make, model and model year exactly; the catalogue's applications say what the part's maker counts as a match"
	fromISO19072    = "ISO 19072-1 to -5 (connection interfaces for pyrotechnic devices): codings and polarization exist so that what does not belong together cannot be joined"
	fromClip        = "ISO/TS 19072-4:2012, 4.4 and 4.5 (shorting clip)"
	fromStages      = "J2012 restraint codes name a loop for each stage (B0001, B0002: driver frontal stages 1 and 2)"
	fromBelt        = "vehicle makers' service texts: a belt in use at a deployment is replaced as a whole; common practice"
	fromFlood       = "IIHS Advisory 29 (September 2003): parts of flooded vehicles should not be used under any circumstances; COM(2023) 451 Annex I A"
	fromContested   = "49 CFR 563.9(a) (a deployment record stays locked in the module); NHTSA interpretation 21770rbm (an undeployed part may be inoperable after a crash; disputed by recyclers)"
	fromProvenance  = "Rhode Island § 31-53-5 (part's number, donor's VIN and seller on record); New Zealand LVRC bulletin 2 (donor's chassis number and part number; any doubt: reject)"
)

const fromLaw = "the law of the seller's and the installer's places as far as it is on record here; check local law"

// registry is the table of rules. Adding one here is all it takes.
var registry = [...]Rule{
	{"identity.kind", famIdentity, "common practice, no source: a part of one kind does not do another's work", fit, []Attribute{aKind, aNumber, aMaker}, sameKind, nil},
	{"identity.position", famIdentity, "common practice, no source: restraint parts are made for their seating position", fit, []Attribute{aPosition, aNumber, aMaker}, samePosition, nil},
	{"identity.drive_side", famIdentity, "common practice, no source: driver and passenger change sides with the steering wheel", fit, []Attribute{aDriveSide, aNumber, aMaker}, sameDriveSide, nil},
	{"identity.restraint_text", famIdentity, "49 CFR 565.16: makers file what restraints a vehicle has, in free text; silence tells nothing", fit, []Attribute{aVIN, aNumber, aMaker}, sameRestraints, nil},
	{"number.matches", famNumber, "common practice, no source: the maker's part number identifies the design; supersession is directed, and every step must hold for the vehicle", fit, []Attribute{aNumber, aMaker}, rightNumber, nil},
	{"number.application", famNumber, fromInterchange, fit, []Attribute{aNumber, aMaker}, rightVehicle, nil},
	{"years.model_year", famYears, fromInterchange, fit, []Attribute{aYear, aNumber, aMaker}, sameYears, nil},
	{"years.build_date", famYears, "NHTSA interpretation on 49 CFR 565.3(j): a model year is not a calendar year, so a change within it is told by the build date", fit, []Attribute{aNumber, aMaker}, sameBuild, nil},
	{"connector.interface", famConnector, fromISO19072, fit, []Attribute{aInterface, aNumber, aMaker}, sameInterface, nil},
	{"connector.keying", famConnector, fromISO19072, fit, []Attribute{aKeying, aNumber, aMaker}, sameKeying, nil},
	{"connector.cavities", famConnector, fromISO19072, fit, []Attribute{aCavities, aNumber, aMaker}, sameCavities, nil},
	{"connector.shorting_clip", famConnector, fromClip, reuse, []Attribute{aClip}, wholeClip, nil},
	{"connector.pigtail", famConnector, "common practice, no source: a cut restraint lead is not spliced unless the vehicle's maker says how", reuse, []Attribute{aPigtail}, wholePigtail, nil},
	{"electrical.stages", famElectrical, fromStages, fit, []Attribute{aStages, aNumber, aMaker}, sameStages, nil},
	{"electrical.resistance", famElectrical, "part maker's or vehicle maker's limits where known, otherwise 1.4 to 3.2 Ω (trade paper, 2018); conformance by JCGM 106:2012", reuse, []Attribute{aLoop, aNumber, aMaker, aStages, aKind, aPosition}, inWindow, nil},
	{"module.programming", famModule, "common practice, no source: a restraint module may stay bound to its first vehicle, and another is set up by the vehicle maker's procedure", reuse, []Attribute{aProgrammable, aNumber, aMaker}, programmable, nil},
	{"deployment.marks", famDeployment, "Rhode Island § 31-53-3: a deployed or damaged bag is nonfunctional", reuse, []Attribute{aMarks}, noMarks, nil},
	{"deployment.loop", famDeployment, "common practice, no source: a fired squib reads open or shorted", reuse, []Attribute{aLoop, aNumber, aMaker, aStages, aKind, aPosition}, notFired, nil},
	{"deployment.crash_record", famDeployment, fromContested, reuse, []Attribute{aCrash}, noCrashRecord, nil},
	{"deployment.code", famDeployment, "a maker's legacy codes B0051 and B0053 mean that deployment was commanded; under J2012 the same numbers mean something else, so the donor's dialect decides", reuse, []Attribute{aCode, aCodes, aYear, aVIN}, noDeploymentCode, nil},
	{"history.belt_in_use", famHistory, fromBelt, reuse, []Attribute{aBelt}, beltNotLoaded, nil},
	{"history.flood", famHistory, fromFlood, reuse, []Attribute{aFlood}, noFlood, nil},
	{"history.fire", famHistory, "common practice, no source: heat ages propellant, webbing and plastics", reuse, []Attribute{aFire}, noFire, nil},
	{"condition.damage", famCondition, "Rhode Island § 31-53-3: a damaged bag is nonfunctional; New Zealand LVRC bulletin 2 (any doubt: reject)", reuse, []Attribute{aDamage}, undamaged, nil},
	{"cosmetic.blemishes", famCosmetic, "common practice, no source: fading and scratches do not touch the function", advice, []Attribute{aCosmetic}, unblemished, nil},
	{"maker.donor_parts", famMaker, "vehicle makers' position statements, as far as the catalogue holds them: some rule out restraint parts from another vehicle", reuse, []Attribute{aNumber, aMaker}, donorAllowed, nil},
	{"fitting.one_use", famFitting, "vehicle makers' service texts: bolts and locks of restraint parts are often used once", advice, []Attribute{aNumber, aMaker}, usedAgain, nil},
	{"fitting.alone", famFitting, "vehicle makers' service texts: some restraint parts are replaced only together with others", advice, []Attribute{aNumber, aMaker}, replacedAlone, nil},
	{"age.service_life", famAge, "service life set by the part's or vehicle's maker (one maker, 1998: 15 years from production, on the label)", reuse, []Attribute{aYear, aVIN, aMade, aNumber, aMaker}, withinLife, nil},
	{"recall.open", famRecall, "49 CFR 573.12 and 49 USC 30120(j): no recalled equipment, new or used, may be sold unless remedied", reuse, recallReads, noRecall, nil},
	{"jurisdiction.sale", famJurisdiction, fromLaw, reuse, lawReads, maySell, partsOfSale},
	{"jurisdiction.reuse", famJurisdiction, fromLaw, reuse, lawReads, mayFit, partsOfUse},
	{"provenance.donor_vin", famProvenance, fromProvenance, reuse, vinReads, donorKnown, nil},
	{"provenance.label", famProvenance, fromProvenance, fit, []Attribute{aLegible, aNumber, aMaker}, labelLegible, nil},
	{"provenance.pulled_by", famProvenance, "New Zealand LVRC bulletin 2 (who oversaw the removal)", advice, []Attribute{aPulledBy}, pulledBy, nil},
}

// fitRules and reuseRules are the places of the rules that count.
var (
	fitRules   = places(fit)
	reuseRules = places(reuse)
)

func places(severity fitmentv1.Finding_Severity) []int {
	var list []int
	for i, rule := range registry {
		if rule.Severity == severity {
			list = append(list, i)
		}
	}
	return list
}
