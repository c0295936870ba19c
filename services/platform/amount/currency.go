package amount

import "strings"

// byDigits groups the active codes of ISO 4217, list one as published on
// 2026-01-01, by the decimal places of their minor unit. Codes that have no
// minor unit (metals, drawing rights, the codes for testing and for no
// currency) are no currencies that anything is priced in and are left out.
var byDigits = map[int]string{
	0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
	2: `AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV
		BRL BSD BTN BWP BYN BZD CAD CDF CHE CHF CHW CNY COP COU CRC CUP
		CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD
		GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD
		KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR
		MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR
		PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP
		STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU
		UZS VED VES WST XAD XCD XCG YER ZAR ZMW ZWG`,
	3: "BHD IQD JOD KWD LYD OMR TND",
	4: "CLF UYW",
}

// digits holds the decimal places of every active code.
var digits = func() map[string]int {
	table := make(map[string]int)
	for places, codes := range byDigits {
		for code := range strings.FieldsSeq(codes) {
			table[code] = places
		}
	}
	return table
}()

// Known tells whether a code is an active currency of ISO 4217 that has a minor
// unit. Codes are three capital letters.
func Known(currency string) bool {
	_, known := digits[currency]
	return known
}

// Digits is how many decimal places a currency's minor unit has; 2 for a code
// that is not Known, which is the most common number.
func Digits(currency string) int {
	if places, known := digits[currency]; known {
		return places
	}
	return 2
}
