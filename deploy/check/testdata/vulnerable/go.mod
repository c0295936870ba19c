module beltwright.example/deploy/check/testdata/vulnerable

go 1.26.7

require golang.org/x/text v0.3.5
