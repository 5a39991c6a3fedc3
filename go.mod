module fadeledger

go 1.26
