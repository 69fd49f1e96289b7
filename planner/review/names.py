"""Given names and family names that are no ordinary word in a log, from memory; our own choice.

Names that are also words of the trade or the hill (mark, will, rob, cliff, snow, hill) are left
out: without a capital they cannot be told from those.
"""

from __future__ import annotations

from typing import Final

_GIVEN: Final = """
    aaron adam adrian agnes ahmed aisha alan albert alejandro alex alexander alexandra
    alfred ali alice alicia alison amanda amelia amina amy ana andre andrea andreas andrew
    angela anita ann anna anne annette anthony anton antonio arthur ashley astrid barbara
    beatrice ben benjamin bernard beth bettina betty bjorn boris brandon brenda brian
    bridget bruce bruno bryan camille carl carla carlos carmen carol caroline catherine
    cecilia charles charlotte cheryl chris christina christine christopher claire clara
    claudia colin connor craig cynthia dan daniel daniela danielle david deborah denise
    dennis derek diana diane diego dimitri dmitri dominik donald donna doris dorothy douglas
    dylan eddie edith edward eileen elaine eleanor elena elias elisabeth elizabeth ella
    ellen elsa emil emily emma enrique eric erica erik ernest esther ethan eugene eva evan
    evelyn fatima felix fernando fiona florian frances francesca francis francois franz fred
    frederick fritz gabriel gareth gary geoffrey george gerald gerhard gertrude giovanni
    giulia giuseppe gloria gordon graham greg gregory greta guillaume gustav hamid hannah
    hans harold harry hassan heather heidi heinrich helen helga henri henry herbert hiroshi
    howard hubert hugo ian ibrahim igor ingrid irene isaac isabel isabella ivan jacob
    jacqueline jakob james jan jana jane janet janice jason javier jean jeff jeffrey
    jennifer jeremy jerry jessica jill jim joan joanna joao joe joel johan johann johanna
    johannes john johnny jonas jonathan jorge jose josef joseph joshua juan juanita judith
    julia julian julie jurgen justin kai karen karin karl katarina kate katherine kathleen
    kathy katrin keith kelly ken kenji kenneth kevin klaus kristin kurt kyle lars laura
    lauren laurent lawrence leah lena leo leonard leslie li liam linda lisa lise logan lois
    lorenzo louis louise lucas lucia lucy luigi luis luisa lukas lydia magnus manuel marcel
    marco marcus margaret maria marian marie marina mario marion markus marta martha martin
    martina mary mateo matthew matthias maureen megan mei melanie melissa michael michel
    michele michelle miguel mikhail mohamed mohammed monica monika moritz nadia nancy naomi
    natalie natasha nathan nicholas nicole niels nikolai nils nina noah nora norman olga
    oliver olivia olivier omar oscar oskar otto pablo pamela paolo pascal patricia patrick
    paul paula pauline pedro peter petra phil philip philippe phyllis pierre rachel rafael
    ralph ramon raul raymond rebecca regina reinhard renate ricardo richard rita robert
    roberta roberto roger roland ronald rosa rosemary rudolf russell ruth ryan sabine salma
    sam samantha samir samuel sandra sara sarah scott sean sebastian sergei sergio sharon
    sheila shirley silvia simon sofia sonia sophia sophie stefan stefanie stella stephanie
    stephen steve steven stuart susan susanne suzanne sven svetlana sylvia takashi tamara
    tanya teresa theodore theresa thomas tim timothy tina tobias tom tomas tony tracy ulrich
    ulrike ursula valentina valerie vanessa vera veronica victor victoria vincent virginia
    vladimir walter wei wendy werner wilhelm william wolfgang xavier yolanda yuki yusuf
    yvonne zachary zoe
"""
_FAMILY: Final = """
    adams alvarez andersen anderson andersson bauer becker bennett bergmann bianchi
    bjornsson campbell carlson castillo chavez chen christensen clarke cohen collins cruz
    davies davis delgado diaz dubois edwards eriksson evans fernandez ferrari fischer
    fitzgerald flores garcia gomez gonzalez gruber gupta gutierrez hansen harrison hernandez
    hofer hoffmann huang huber hughes ivanov jackson jenkins jensen jimenez johansson
    johnson jones kaufmann keller kennedy kim klein kowalski kumar larsen lefebvre leroy
    lewis lopez maier martinez mayer mcdonald mendoza meyer miller mitchell morales moreau
    moreno muller murphy murray nakamura nguyen nielsen novak nowak olsen olsson ortega
    ortiz patel pedersen perez petersen peterson petrov phillips ramirez reyes reynolds
    richardson rivera roberts robertson robinson rodriguez rogers romero rossi ruiz russo
    ryan sanchez sanders sato schmid schmidt schneider schulz schwarz silva simmons singh
    smith sorensen stevens stewart sullivan suzuki svensson tanaka thompson torres vasquez
    wagner walsh watanabe weber wilson wright yamamoto zhang zimmermann
"""

GIVEN: Final = frozenset(_GIVEN.split())
FAMILY: Final = frozenset(_FAMILY.split())
