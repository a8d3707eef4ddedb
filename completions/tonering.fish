# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_tonering_global_optspecs
    string join \n h/help V/version
end

function __fish_tonering_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_tonering_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_tonering_using_subcommand
    set -l cmd (__fish_tonering_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c tonering -n "__fish_tonering_needs_command" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_needs_command" -s V -l version -d 'Print version'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "clear" -d 'Clear the trouble codes of one module, after keeping them'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "compare" -d 'Compare a capture before a repair with one after it: what is gone, what stayed, what is new'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "diagnose" -d 'Find the likely causes of a lit ABS lamp from captures of one vehicle'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "decode" -d 'Show every diagnostic message of a capture, decoded'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "drill" -d 'A lesson: find an unseen fault, and get marks'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "explain" -d 'Explain a code, a byte, an identifier, a message or a frame'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "live" -d 'Listen to a CAN link: modules, codes, wheels and likely causes as they come'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "rig" -d 'Simulate a vehicle with chosen faults'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "rules" -d 'Show, list, explain and check the rules: causes, findings, checks by hand, cautions'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "wheels" -d 'Measure the wheel-speed signals of a capture, or look for them'
complete -c tonering -n "__fish_tonering_needs_command" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c tonering -n "__fish_tonering_using_subcommand clear" -l profile -d 'Vehicle profile (YAML): which modules there are, and where the speeds are' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand clear" -l module -d 'The module, by its name in the profile; the brake module unless another is named' -r
complete -c tonering -n "__fish_tonering_using_subcommand clear" -l save -d 'Keep what was read in this new file, a candump log that diagnose reads' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand clear" -l vehicle-stands -d 'State that the vehicle stands and cannot roll, where its speed cannot be read'
complete -c tonering -n "__fish_tonering_using_subcommand clear" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l before -d 'Captures before the repair, where there are several' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l after -d 'Captures after the repair, where there are several' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l format -d 'How to print' -r -f -a "text\t'For reading'
markdown\t'For issue trackers and mail'
html\t'One page to keep, print and hand over'
json\t'For programs'"
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l profile -d 'Vehicle profile: modules, wheels, where the signals are' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l case -d 'Keep the comparison and the hashes in this folder of one vehicle, and list what its earlier visits found' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l output -d 'Write to this file instead of standard output' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand compare" -l strict -d 'Exit status 1 when something in a capture could not be read'
complete -c tonering -n "__fish_tonering_using_subcommand compare" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l profile -d 'Vehicle profile (YAML): modules, wheels, where the signals are' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l notes -d 'Inspection notes (YAML): what was checked by hand' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l can -d 'Who does the work: checks and repairs beyond that are not proposed, or cost more' -r -f -a "home\t'A careful person at home'
workshop\t'A workshop'"
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l hourly-rate -d 'What an hour of work costs, in the currency of the rules' -r
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l jobs -d 'How many captures at a time with --each: as many as there are cores unless a number is given' -r
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l why -d 'Explain why a cause has its probability: the arithmetic, the rivals, what would change the order' -r
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l format -d 'Form of the result: text, or json with --each, unless another is named' -r -f -a "text\t'For a terminal'
markdown\t'For issue trackers and e-mail'
html\t'One page to keep, print and hand over'
json\t'For programs: docs/formats.md'
csv\t'One table for a spreadsheet: --table'
parquet\t'A folder of tables to query: docs/fleet.md'"
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l table -d 'Table of --format csv: codes unless another is named' -r -f -a "codes\t'The trouble codes'
checks\t'The next checks, with an empty column for the result'
causes\t'The causes by falling probability'"
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l output -d 'Write to this file instead of standard output; it appears when it is whole' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l case -d 'Keep report, notes and hashes in this folder of one vehicle, and list what its earlier visits found' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l each -d 'Diagnose each capture on its own, on all cores: one JSON object a line'
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l resume -d 'Take up what an earlier run of the same --each and --output has finished'
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l ask -d 'Walk through the checks: propose the next one, take its result, show what that moves, save it in --notes'
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -l strict -d 'Fail with status 1 when a part of a capture could not be read'
complete -c tonering -n "__fish_tonering_using_subcommand diagnose" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand decode" -l format -d 'How to print' -r -f -a "text\t'One line for each message'
json\t'One JSON object for each message'
csv\t'One row for each message'"
complete -c tonering -n "__fish_tonering_using_subcommand decode" -l profile -d 'Vehicle profile: addresses of the modules' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand decode" -l output -d 'Write to this file instead of standard output' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand decode" -l bytes -d 'Take each message apart byte by byte, with the clause of the standard'
complete -c tonering -n "__fish_tonering_using_subcommand decode" -l frames -d 'List flow control, other ISO 13400 payloads and the timing as well'
complete -c tonering -n "__fish_tonering_using_subcommand decode" -l strict -d 'Exit status 1 when something in a capture could not be read'
complete -c tonering -n "__fish_tonering_using_subcommand decode" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand drill" -l seed -d 'Which lesson: the same number is the same vehicle with the same fault' -r
complete -c tonering -n "__fish_tonering_using_subcommand drill" -l can -d 'Who works: a careful person at home, or a workshop' -r -f -a "home\t'A careful person at home'
workshop\t'A workshop'"
complete -c tonering -n "__fish_tonering_using_subcommand drill" -l hourly-rate -d 'What an hour of work costs, in the currency of the rules' -r
complete -c tonering -n "__fish_tonering_using_subcommand drill" -l on -d 'Also let the vehicle live on this CAN interface, for your own tools; a bench, never the bus of a real vehicle' -r
complete -c tonering -n "__fish_tonering_using_subcommand drill" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand explain" -l format -d 'How to print' -r -f -a "text\t'For a person'
json\t'One JSON object'"
complete -c tonering -n "__fish_tonering_using_subcommand explain" -l output -d 'Write to this file instead of standard output' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand explain" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand live" -l for -d 'Stop by itself after this time: 90s, 10min, 2h' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l record -d 'Keep every frame in this file: candump text, or pcapng where it ends in .pcapng; never overwrites' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand live" -l rotate-size -d 'Begin a new file, with the next number, at this size: 100MB' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l rotate-time -d 'Begin a new file, with the next number, after this time: 10min' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l profile -d 'Vehicle profile (YAML): modules, wheels, where the signals are' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand live" -l notes -d 'Inspection notes (YAML): what was checked by hand' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand live" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand live" -l can -d 'Who does the work: checks and repairs beyond that are not proposed, or cost more' -r -f -a "home\t'A careful person at home'
workshop\t'A workshop'"
complete -c tonering -n "__fish_tonering_using_subcommand live" -l hourly-rate -d 'What an hour of work costs, in the currency of the rules' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l format -d 'Write a report in this form at the end; lines of changes then go to standard error' -r -f -a "text\t'For a terminal'
markdown\t'For issue trackers and e-mail'
html\t'One page to keep, print and hand over'
json\t'For programs: docs/formats.md'"
complete -c tonering -n "__fish_tonering_using_subcommand live" -l output -d 'Write the report to this file instead of standard output; as text unless --format is given' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand live" -l rate -d 'How often each of the profile\'s signals is asked for, rounds a second; 0 for not at all' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l seek -d 'Look for modules: "tester present" to one physical address after the other, 11-bit ones unless said otherwise' -r -f -a "short\t'11-bit: 0x700 to 0x7F7'
long\t'29-bit: 0x18DAxxF1'
both\t'Both'"
complete -c tonering -n "__fish_tonering_using_subcommand live" -l replay -d 'Play this capture onto the link with its own timing, for a lesson. For a bench link, never for a vehicle' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand live" -l speed -d 'Play it faster or slower: 2 is twice as fast' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l longest-pause -d 'Shorten pauses in the capture to this' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l bus -d 'Which bus of the capture is played, where it holds several' -r
complete -c tonering -n "__fish_tonering_using_subcommand live" -l ask -d 'Ask, too: a read-only survey of codes and the profile\'s signals (docs/asking.md)'
complete -c tonering -n "__fish_tonering_using_subcommand live" -l among-others -d 'Play it although others talk on the link'
complete -c tonering -n "__fish_tonering_using_subcommand live" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l fault -d 'What is wrong: CAUSE[/FORM][@PLACE][=SEVERITY], as in sensor-circuit/open@left-front=0.7; repeat for more' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l mended -d 'What was wrong on the drives before, and has been mended since' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l seed -d 'Where all chance comes from: the same seed gives the same bytes' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l drive -d 'The drive that is recorded' -r -f -a "standing\t''
short\t''
test\t''
town\t''
bends\t''
motorway\t''
rough\t''
parking\t''"
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l earlier-drives -d 'Drives before it, unrecorded: the modules remember them' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l sensor -d 'How the sensors work' -r -f -a "active\t''
passive\t''"
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l wheels -d 'How the wheel speeds come: four-words, axle-pairs, offset-words or four-short (broadcast), polled, none' -r -f -a "four-words\t''
axle-pairs\t''
offset-words\t''
four-short\t''
polled\t''
none\t''"
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l ask -d 'When the tester reads the codes' -r -f -a "before\t''
during\t''
after\t''
never\t''"
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l stray-codes -d 'Codes of other systems, which have nothing to do with the brakes' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l output -d 'Write the capture to this file instead of standard output; packed when its name ends in .gz' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l format -d 'The kind of capture' -r -f -a "candump\t''
pcapng\t''"
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l profile-out -d 'Write the vehicle\'s profile to this file' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l check -d 'Do a check by hand for the notes: CHECK[@PLACE], as in air-gap@left-front; repeat for more' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l notes-out -d 'Write the inspection notes to this file' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l on -d 'Let the vehicle live on this CAN interface, on a bench only: it broadcasts and answers until stopped' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l for -d 'With --on: stop after so many seconds' -r
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l random -d 'Draw vehicle, drive, tester and faults from the seed'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l without-brakes -d 'The tester does not ask the brake module'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l clear -d 'The tester clears all codes before the drive'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l spirited -d 'Pull away with spinning wheels and brake hard'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l tell -d 'Say on standard error what is wrong with the vehicle'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -l among-others -d 'With --on: although others already talk there'
complete -c tonering -n "__fish_tonering_using_subcommand rig" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "list" -d 'List the entries of one kind'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "explain" -d 'Explain an entry: what it rests on and what rests on it'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "check" -d 'Check rule files together with the built-in ones, and report every fault'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "try" -d 'Try the rules against cases with known causes: exit status 1 when one does not come out as expected'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "network" -d 'Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "posterior" -d 'The posterior of a network in the form of `rules network`, with readings: for second opinions'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and not __fish_seen_subcommand_from list explain check try network posterior help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from list" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from list" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from explain" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from explain" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from check" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from check" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from try" -l format -d 'How to print what came out' -r -f -a "text\t'A line for each trial, for people'
json\t'One object with every expectation, for programs'"
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from try" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from try" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from network" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from network" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from posterior" -l rules -d 'Folder with rules (YAML) that add to the built-in ones or replace them' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from posterior" -s h -l help -d 'Print help'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "list" -d 'List the entries of one kind'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "explain" -d 'Explain an entry: what it rests on and what rests on it'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "check" -d 'Check rule files together with the built-in ones, and report every fault'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "try" -d 'Try the rules against cases with known causes: exit status 1 when one does not come out as expected'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "network" -d 'Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "posterior" -d 'The posterior of a network in the form of `rules network`, with readings: for second opinions'
complete -c tonering -n "__fish_tonering_using_subcommand rules; and __fish_seen_subcommand_from help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -l profile -d 'Vehicle profile: where the signals are' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -l format -d 'How to print; `yaml` writes what `--find` found as a profile' -r -f -a "text\t'A table with a drawing'
csv\t'The speeds, one row for each sample time'
json\t'Every measure'
yaml\t'A profile, with --find'"
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -l plot -d 'Draw speeds, residual over the wheel\'s angle, order spectrum and ratio as SVG' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -l output -d 'Write to this file instead of standard output' -r -F
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -l find -d 'Look for the wheel speeds without knowing where they are'
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -l strict -d 'Exit status 1 when something in a capture could not be read'
complete -c tonering -n "__fish_tonering_using_subcommand wheels" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "clear" -d 'Clear the trouble codes of one module, after keeping them'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "compare" -d 'Compare a capture before a repair with one after it: what is gone, what stayed, what is new'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "diagnose" -d 'Find the likely causes of a lit ABS lamp from captures of one vehicle'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "decode" -d 'Show every diagnostic message of a capture, decoded'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "drill" -d 'A lesson: find an unseen fault, and get marks'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "explain" -d 'Explain a code, a byte, an identifier, a message or a frame'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "live" -d 'Listen to a CAN link: modules, codes, wheels and likely causes as they come'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "rig" -d 'Simulate a vehicle with chosen faults'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "rules" -d 'Show, list, explain and check the rules: causes, findings, checks by hand, cautions'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "wheels" -d 'Measure the wheel-speed signals of a capture, or look for them'
complete -c tonering -n "__fish_tonering_using_subcommand help; and not __fish_seen_subcommand_from clear compare diagnose decode drill explain live rig rules wheels help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c tonering -n "__fish_tonering_using_subcommand help; and __fish_seen_subcommand_from rules" -f -a "list" -d 'List the entries of one kind'
complete -c tonering -n "__fish_tonering_using_subcommand help; and __fish_seen_subcommand_from rules" -f -a "explain" -d 'Explain an entry: what it rests on and what rests on it'
complete -c tonering -n "__fish_tonering_using_subcommand help; and __fish_seen_subcommand_from rules" -f -a "check" -d 'Check rule files together with the built-in ones, and report every fault'
complete -c tonering -n "__fish_tonering_using_subcommand help; and __fish_seen_subcommand_from rules" -f -a "try" -d 'Try the rules against cases with known causes: exit status 1 when one does not come out as expected'
complete -c tonering -n "__fish_tonering_using_subcommand help; and __fish_seen_subcommand_from rules" -f -a "network" -d 'Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks'
complete -c tonering -n "__fish_tonering_using_subcommand help; and __fish_seen_subcommand_from rules" -f -a "posterior" -d 'The posterior of a network in the form of `rules network`, with readings: for second opinions'
