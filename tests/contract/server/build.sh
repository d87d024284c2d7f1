#!/bin/sh
# Fetch and compile the Java test server and the official validator (Java 17, Maven; about 290 MB, once).
set -eu
cd "$(dirname "$0")"
if [ -f target/classes/FhirTestServer.class ] && [ -f target/classes/FhirJudge.class ] && [ -d lib ]; then
    newer=$(find pom.xml src -newer target/classes/FhirTestServer.class -type f)
    if [ -z "$newer" ]; then
        echo "test server: up to date"
        exit 0
    fi
fi
mvn -q -B compile dependency:copy-dependencies -DoutputDirectory=lib
touch target/classes/FhirTestServer.class target/classes/FhirJudge.class
echo "test server: built"
